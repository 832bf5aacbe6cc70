"""Holds the sharpness that greyhold measures against blurs that scipy made.

Takes real full-size frames, blurs them in linear light by scipy.ndimage.gaussian_filter (or by an even disc), adds the noise of an ISO
speed, codes them as JPEGs as a camera does, and has `greyhold compare --sharpness --json` tell the blur. A width counts as recovered within
0.25 pixels or 15 %, whichever is larger. Of frames that differ in exposure alone, or are moved and turned alone, a change must not be told.

With --series, instead: takes folders of bracketed series, in which nothing but the exposure changes, so that whatever blur is told between
two of their frames is made by the camera's coding and by its curve. Says how much that is, and how often a change is told.

Usage: sharpness-reference.py GREYHOLD FRAME... --quick
       sharpness-reference.py GREYHOLD --whole FOLDER    (all photographs of full size in it: half an hour on two cores)
       sharpness-reference.py GREYHOLD --series FOLDER...
Fails where more than 2 % of the widths that are told are not recovered, where too few are told, or where an exposure or a moved frame passes
for a change in more than 2 %.
"""
import argparse, json, math, pathlib, subprocess, sys, tempfile
from concurrent.futures import ThreadPoolExecutor
import numpy as np
from PIL import Image
from scipy.ndimage import affine_transform, convolve, gaussian_filter

CODES = np.arange(256) / 255
LIGHT = np.where(CODES <= 0.04045, CODES / 12.92, ((CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)  # IEC 61966-2-1
# The variance of a sample is its electrons and those of the read noise squared (EMVA 1288, release 3.1, section 2). How many: a full-frame
# sensor of 24 megapixels, about (common practice, no source): electrons at saturation at ISO 100, and of read noise. ISO 12800 of that one
# is ISO 3200 of a sensor of a quarter of its area.
FULL, READ = 60_000.0, 3.0
BRIGHTEST = np.float32(0.8)  # of the light that frames are brought to: a quarter of a stop brighter it still isn't burnt out
SIDE = 1024  # of the part of a frame that is worked on: the measurement looks at spots only
# Up to here widths are to be recovered; beyond it is printed how it goes on.
FASTEST = 3200
# Told wrongly, or a change where there is none, as a part of what is told.
FEW = 0.02
# A cell of the table may have one wrong of twenty.
FEW_OF_ONE = 0.05
CORES = 2
# How the noise reaches the picture: alike at each pixel, or on the samples of a Bayer pattern, with the pixels between filled in.
WHITE, FILLED_IN = "each pixel's own", "filled in from a Bayer pattern"


def encode(light):
    light = np.clip(light, 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(codes * 255).astype(np.uint8)


def exposed(light, iso, dice, noise):
    per_light = FULL / (iso / 100)
    electrons = np.maximum(light, 0) * per_light
    grain = dice.normal(size=light.shape) * np.sqrt(electrons + READ**2)
    return (electrons + (filled_in(grain) if noise == FILLED_IN else grain)) / per_light


def filled_in(grain):
    """Of each colour what a Bayer pattern samples; the pixels between are the means of their neighbours."""
    sampled = np.zeros_like(grain)
    sampled[0::2, 0::2, 0] = grain[0::2, 0::2, 0]
    sampled[0::2, 1::2, 1] = grain[0::2, 1::2, 1]
    sampled[1::2, 0::2, 1] = grain[1::2, 0::2, 1]
    sampled[1::2, 1::2, 2] = grain[1::2, 1::2, 2]
    of_green = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
    of_others = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    return np.stack([convolve(sampled[..., i], of_green if i == 1 else of_others) for i in range(3)], 2)


def disc(diameter):
    fine, half = 8, int(np.ceil(diameter / 2)) + 1
    at = (np.arange(-half * fine - fine // 2, half * fine + fine // 2) + 0.5) / fine
    inside = (at[:, None] ** 2 + at[None, :] ** 2 <= (diameter / 2) ** 2).astype(float)
    kernel = inside.reshape(2 * half + 1, fine, 2 * half + 1, fine).sum((1, 3))
    return kernel / kernel.sum()


def places(light, count, side=256):
    """The most textured places that are not clipped, and as many that are less so."""
    found = []
    for y in range(SIDE // 2, light.shape[0] - SIDE // 2, side):
        for x in range(SIDE // 2, light.shape[1] - SIDE // 2, side):
            piece = light[y - side // 2 : y + side // 2, x - side // 2 : x + side // 2].mean(2)
            if np.mean(piece > 0.9 * BRIGHTEST) > 0.001 or piece.mean() < 0.02:
                continue
            found.append((np.std(piece - gaussian_filter(piece, 2)) / piece.mean(), y, x))
    found.sort(reverse=True)
    picked = found[:count] + found[max(count, len(found) // 2) :][:count]
    return [(y, x) for _, y, x in picked]


def full_size(folder):
    """Photographs large enough for a piece; what can't be read is left out."""
    for path in sorted(folder.rglob("*")):
        if path.suffix.lower() not in (".jpg", ".jpeg") or path.parent.name == "hostile":
            continue
        if min(Image.open(path).size) > SIDE:
            yield path


class Compare:
    def __init__(self, program, folder, seed):
        self.program, self.folder, self.dice = program, pathlib.Path(folder) / str(seed), np.random.default_rng(seed)
        self.folder.mkdir(exist_ok=True)

    def write(self, name, light, iso, noise=WHITE):
        path = self.folder / name
        Image.fromarray(encode(exposed(light, iso, self.dice, noise))).save(path, quality=93, subsampling="4:2:0")
        return str(path)

    def told(self, files, radius=0.25):
        """What is told of all files but the first, which the others are held against: the blur with its interval, or None."""
        # Of one alone it could be the sharper one that the first is held against.
        return [answer[0].get("softness") for answer in self.all_told(files, [f"it:0.5,0.5,{radius}"])[1:]]

    def all_told(self, files, spots):
        """Of each file its spots."""
        words = [word for spot in spots for word in ("--spot", spot)]
        command = [self.program, "compare", "--sharpness", "--json", "--response", "srgb", *words, *files]
        run = subprocess.run(command, capture_output=True, text=True)
        if run.returncode not in (0, 1):
            sys.exit(f"{' '.join(command)}: {run.stderr}")
        return [json.loads(line)["spots"] for line in run.stdout.splitlines()[: len(files)]]


def main():
    asked = argparse.ArgumentParser()
    asked.add_argument("program")
    asked.add_argument("frames", nargs="+", type=pathlib.Path)
    which = asked.add_mutually_exclusive_group(required=True)
    for name in ("--quick", "--whole", "--series"):
        which.add_argument(name, action="store_true")
    asked = asked.parse_args()
    if asked.series:
        sys.exit(series(asked.program, asked.frames))
    frames = [frame for folder in asked.frames for frame in full_size(folder)] if asked.whole else asked.frames
    widths = [0.5, 1, 2, 4, 8] if asked.quick else [0.5, 0.75, 1, 1.5, 2, 3, 4, 6, 8]
    speeds = [100, 800, 3200] if asked.quick else [100, 200, 400, 800, 1600, 3200, 12800]
    pieces, lights = [], []
    for frame in frames:
        light = LIGHT[np.asarray(Image.open(frame).convert("RGB"))] * BRIGHTEST
        lights.append(light)
        for y, x in places(light, 1 if asked.quick else 3):
            pieces.append(light[y - SIDE // 2 : y + SIDE // 2, x - SIDE // 2 : x + SIDE // 2])
    print(f"{len(pieces)} places of {len(frames)} frames")
    faults = []
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(CORES) as pool:

        def of_each(whole, work):
            """Each with a folder and dice of its own, so that what comes out depends on no order."""
            return list(pool.map(lambda at: work(Compare(asked.program, folder, at), whole[at]), range(len(whole))))

        for noise in (WHITE, FILLED_IN):
            known(of_each, pieces, widths, speeds if noise == WHITE else speeds[-1 if asked.quick else -2 :], noise, faults)
        discs(of_each, pieces, faults)
        unchanged(of_each, pieces, faults)
        moved(of_each, lights, MOVES[::3] if asked.quick else MOVES, faults)
    for fault in faults:
        print("WRONG:", fault)
    sys.exit(bool(faults))


def good(width):
    return max(0.25, 0.15 * width)


def known(of_each, pieces, widths, speeds, noise, faults):
    print(f"\nblur told of those that scipy made, in pixels; noise {noise}: median, worst off; told within limits, told wrong, not told;")
    print("intervals that hold it")
    print(f"{'blur':>6}" + "".join(f"  {'ISO ' + str(speed):>29}" for speed in speeds))

    def of_piece(compare, piece):
        blurred = [gaussian_filter(piece, (width, width, 0), truncate=6) for width in widths]
        told = {}
        for speed in speeds:
            reference = compare.write("reference.jpg", piece, speed, noise)
            files = [compare.write(f"blurred-{at}.jpg", light, speed, noise) for at, light in enumerate(blurred)]
            told |= {(width, speed): softness for width, softness in zip(widths, compare.told([reference, *files]))}
        return told

    table = of_each(pieces, of_piece)
    all_told = all_wrong = promised = 0
    for width in widths:
        row = f"{width:>6}"
        for speed in speeds:
            told = [softness for of_one in table if (softness := of_one[width, speed])]
            off = np.array([abs(softness["blur"] - width) for softness in told])
            wrong = int(np.sum(off > good(width)))
            held = np.mean([softness["least"] <= width <= softness["most"] for softness in told]) if told else 0
            middle = np.median([softness["blur"] for softness in told]) if told else 0
            row += f"  {middle:6.2f} {off.max(initial=0):5.2f} {len(told) - wrong:>3} {wrong:>2} {len(table) - len(told):>3} {held:5.0%}"
            if speed > FASTEST:
                continue
            all_told, all_wrong, promised = all_told + len(told), all_wrong + wrong, promised + len(table)
            if wrong > max(1, FEW_OF_ONE * len(told)):
                faults.append(f"blur {width} at ISO {speed} is told wrongly in {wrong} of {len(told)}")
            if len(told) < 0.5 * len(table):
                faults.append(f"blur {width} at ISO {speed} is told of {len(told)} of {len(table)}")
        print(row, flush=True)
    parts = f"told within limits {all_told - all_wrong}, told wrong {all_wrong}, not told {promised - all_told} of {promised}"
    print(f"up to ISO {FASTEST}: {parts}", flush=True)
    if all_wrong > FEW * all_told:
        faults.append(f"{all_wrong} of {all_told} widths are told wrongly")


def discs(of_each, pieces, faults):
    print("\nblur discs, as a defocused lens makes them: diameter told (four deviations), median and worst off, share told")
    for diameter in (2, 4, 8, 16, 32):
        kernel = disc(diameter)

        def of_piece(compare, piece):
            blurred = np.stack([convolve(piece[..., i], kernel, mode="nearest") for i in range(3)], 2)
            return compare.told([compare.write("reference.jpg", piece, 200), compare.write("disc.jpg", blurred, 200)])[0]

        told = np.array([softness["blur"] * 4 for softness in of_each(pieces, of_piece) if softness])
        worst = np.abs(told - diameter).max(initial=0)
        if len(told) < 0.5 * len(pieces):
            faults.append(f"a disc of {diameter} is told of {len(told)} of {len(pieces)}")
        print(f"{diameter:>6} {np.median(told) if len(told) else 0:6.2f} {worst:6.2f} {len(told) / len(pieces):6.0%}", flush=True)
        # A disc is no Gaussian: a quarter, or a pixel, is what the equivalence is good for.
        if worst > max(1.0, 0.25 * diameter):
            faults.append(f"a disc of {diameter} is told {worst:.2f} off")


def changed(softness):
    return softness["least"] > 0 or softness["most"] < 0


class Unchanged:
    """Counts what is told of spots that are as sharp in both frames."""

    def __init__(self):
        self.all = [0, 0, 0]

    def say(self, name, spots, answers):
        details = np.array([100 * softness["detail"]["share"] for softness in answers])
        changes = sum(changed(softness) for softness in answers)
        self.all = [a + b for a, b in zip(self.all, (spots, len(answers), changes))]
        ends = ", ".join(f"{end:.1f}" for end in np.quantile(details, (0, 0.02, 0.98, 1))) if len(details) else "-"
        print(f"  {name:<28} told {len(details):>4} of {spots}, a change {changes} times; {ends}", flush=True)

    def judge(self, what, faults):
        spots, told, changes = self.all
        print(f"  all: told {told} of {spots}, a change {changes} times")
        if told < 0.5 * spots:
            faults.append(f"{what}: told of {told} of {spots}")
        if changes > FEW * told:
            faults.append(f"{what}: a change is told in {changes} of {told}")


def unchanged(of_each, pieces, faults):
    """Frames of the same sharpness: another exposure, moved by parts of a pixel, sharpened alike."""
    print("\nsame sharpness: how often a change is told; finest detail told, in per cent: the least, 2 %, 98 %, the most")

    def half(piece, down, right):
        side = SIDE // 2 - 8
        return halved(piece[down : down + 2 * side, right : right + 2 * side])

    def sharpened(light):
        return light + 1.0 * (light - gaussian_filter(light, (1, 1, 0)))

    cases = {"as it is": lambda p: (p, p)}
    for stops in (-2, -1, -1 / 3, 0.25):
        cases[f"{stops:+.2f} stops"] = lambda p, stops=stops: (p, p * 2.0**stops)
    for down, right in ((0, 1), (1, 1), (3, 5), (14, 9)):
        cases[f"moved {right / 2} and {down / 2} px"] = lambda p, down=down, right=right: (half(p, 0, 0), half(p, down, right))
    cases["sharpened both"] = lambda p: (sharpened(p), sharpened(p))
    count = Unchanged()
    for name, made in cases.items():

        def of_piece(compare, piece):
            before, after = made(piece)
            files = [compare.write("before.jpg", before, 200), compare.write("after.jpg", after, 200)]
            # Either may be the one that the other is held against.
            return [softness for spots in compare.all_told(files, ["it:0.5,0.5,0.4"]) if (softness := spots[0].get("softness"))]

        count.say(name, len(pieces), sum(of_each(pieces, of_piece), []))
    count.judge("same sharpness", faults)


def halved(light):
    height, width = (length // 2 for length in light.shape[:2])
    return light[: 2 * height, : 2 * width].reshape(height, 2, width, 2, 3).mean((1, 3))


# Right and down in parts of the frame, degrees.
MOVES = [(0.01, 0, 0), (0, 0.03, 0), (0.06, 0.06, 0), (0.003, 0.002, 1), (0, 0, 2), (-0.03, 0.02, -1.5), (0.06, -0.04, 2)]
# So much of a frame is left where all of these still lie within it, and so small ones aren't worth it.
WITHIN, SMALLEST = 0.8, 600


def moved(of_each, lights, moves, faults):
    """The middles of whole frames, moved by parts of a pixel and turned at twice the size, so that hardly any detail is lost by it."""
    print("\nthe same scene moved and turned: the same of spots of 16 % of a frame")
    lights = [light for light in lights if min(light.shape[:2]) * WITHIN / 2 >= SMALLEST]
    count = Unchanged()
    for right, down, turn in moves:

        def of_frame(compare, light):
            side = min(2 * SIDE, int(min(light.shape[:2]) * WITHIN) // 2 * 2)
            middle = (np.array(light.shape[:2]) - 1) / 2
            cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            turned = np.array([[cos, sin], [-sin, cos]])
            from_ = middle + np.array([down, right]) * side - turned @ np.full(2, (side - 1) / 2)
            still = middle - (side - 1) / 2
            taken = [
                np.stack([affine_transform(light[..., i], how, at, (side, side), order=5, mode="nearest") for i in range(3)], 2)
                for how, at in ((np.eye(2), still), (turned, from_))
            ]
            files = [compare.write(name, halved(of), 200) for name, of in zip(("before.jpg", "after.jpg"), taken)]
            return [softness for spots in compare.all_told(files, SPOTS) for spot in spots if (softness := spot.get("softness"))]

        count.say(f"{right:.1%} right, {down:.1%} down, {turn} deg", len(SPOTS) * len(lights), sum(of_each(lights, of_frame), []))
    count.judge("moved and turned", faults)


# What the program takes codings to do, docs/sharpness.md: pixels, and square pixels for each stop between the pieces.
BY_CODING, A_STOP = 0.45, 0.6
HALF_SIDE = 0.08  # of a spot, as a part of the width
SPOTS = [f"{x}-{y}:{(x + 0.5) / 4},{(y + 0.5) / 4},{HALF_SIDE}" for y in range(4) for x in range(4)]


def light_let_in(path):
    """Stops by the settings. A marked time stands for a third or half of a stop: 1/60 s for 2^-6 (APEX)."""
    written = Image.open(path).getexif().get_ifd(0x8769)
    time = math.log2(float(written[0x829A]))
    return round(time * 6) / 6 - 2 * math.log2(float(written[0x829D])) + math.log2(float(written.get(0x8827, 100)) / 100)


def compared(program, pair):
    """Stops between two frames, and of each spot that is told its width and the ends of its interval."""
    command = [program, "compare", "--sharpness", "--json", *(word for spot in SPOTS for word in ("--spot", spot)), *map(str, pair)]
    run = subprocess.run(command, capture_output=True, text=True)
    if run.returncode not in (0, 1):
        sys.exit(f"{' '.join(command)}: {run.stderr}")
    answers = [json.loads(line) for line in run.stdout.splitlines()][:2]
    # In each spot one of both is held against the other, whichever is the sharper.
    told = [(at["softness"], answer["file"], at["against"]) for answer in answers for at in answer["spots"] if at.get("softness")]
    assert all(file != against for _, file, against in told), "a frame is held against itself"
    return abs(light_let_in(pair[0]) - light_let_in(pair[1])), [softness for softness, *_ in told]


def series(program, folders):
    faults, all_ = [], []
    print("frames one or three files apart, 16 spots each: spots told, a change told, and half of what is told and 98 % of it lie below so")
    print(f"many pixels; in how many codings alone ({BY_CODING} px and {A_STOP} square pixels a stop) would not explain what is told")
    with ThreadPoolExecutor(2) as pool:
        for folder in folders:
            files = sorted(file for file in folder.iterdir() if file.suffix.lower() in (".jpg", ".jpeg"))
            pairs = [pair for apart in (1, 3) for pair in zip(files, files[apart:])]
            spots = [(stops, softness) for stops, told in pool.map(lambda pair: compared(program, pair), pairs) for softness in told]
            all_ += spots
            faults += said(folder.name, len(pairs), spots)
    needed(all_)
    for fault in faults:
        print("WRONG:", fault)
    return bool(faults)


def explained(stops, coding, a_stop):
    """The square of the blur that codings may seem to make between pieces so many stops apart."""
    return math.hypot(coding**2, a_stop * stops)


def said(name, pairs, spots):
    changes = sum(changed(softness) for _, softness in spots)
    beyond = sum(softness["blur"] ** 2 > explained(stops, BY_CODING, A_STOP) for stops, softness in spots)
    blurs = [abs(softness["blur"]) for _, softness in spots]
    half, most = (np.quantile(blurs, part) if blurs else 0 for part in (0.5, 0.98))
    print(f"  {name:<14} told {len(spots):>4} of {16 * pairs}, a change {changes}, {half:.2f} and {most:.2f} px, beyond codings {beyond}", flush=True)
    if len(spots) < pairs:
        return [f"{name}: told of {len(spots)} spots in {pairs} pairs"]
    return [f"{name}: a change is told in {changes} of {len(spots)} spots"] if changes > FEW * len(spots) else []


def needed(spots):
    """Which figures would explain 98 % of what is told: the first from frames of nearly one exposure, the second from all."""
    squares = [(stops, softness["blur"] ** 2) for stops, softness in spots]
    near = [square for stops, square in squares if stops < 0.4]
    coding = math.sqrt(np.quantile(near, 1 - FEW)) if near else 0
    a_stop = next(at for at in np.arange(0, 10, 0.05) if sum(square > explained(stops, coding, at) for stops, square in squares) <= FEW * len(squares))
    print(f"98 % of {len(near)} spots at most a third of a stop apart lie below {coding:.2f} px; with that, {a_stop:.2f} square pixels a stop hold 98 % of all")


if __name__ == "__main__":
    main()
