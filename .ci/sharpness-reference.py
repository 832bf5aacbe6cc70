"""Holds the sharpness that greyhold measures against blurs that scipy made.

Takes real full-size frames, blurs them in linear light by scipy.ndimage.gaussian_filter (or by an even disc), adds the noise of an ISO
speed, codes them as JPEGs as a camera does, and has `greyhold compare --sharpness --json` tell the blur. A width counts as recovered within
0.25 pixels or 15 %, whichever is larger.

With --series, instead: takes folders of bracketed series, in which nothing but the exposure changes, so that whatever blur is told between
two of their frames is made by the camera's coding and by its curve. Says how much that is, and how often a change is told.

Usage: sharpness-reference.py GREYHOLD FRAME... [--quick]
       sharpness-reference.py GREYHOLD --series FOLDER...
Fails where a width that was told is not recovered, where too few are told, or where an exposure or a moved frame passes for a change.
"""
import argparse, json, math, pathlib, subprocess, sys, tempfile
from concurrent.futures import ThreadPoolExecutor
import numpy as np
from PIL import Image
from scipy.ndimage import convolve, gaussian_filter

CODES = np.arange(256) / 255
LIGHT = np.where(CODES <= 0.04045, CODES / 12.92, ((CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)  # IEC 61966-2-1
# A full-frame sensor of 24 megapixels, about (from memory): electrons at saturation at ISO 100, and of read noise.
FULL, READ = 60_000.0, 3.0
SIDE = 1024  # of the part of a frame that is worked on: the measurement looks at spots only


def encode(light):
    light = np.clip(light, 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(codes * 255).astype(np.uint8)


def exposed(light, iso, dice):
    per_light = FULL / (iso / 100)
    electrons = np.maximum(light, 0) * per_light
    return (electrons + dice.normal(size=light.shape) * np.sqrt(electrons + READ**2)) / per_light


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
            if np.mean(piece > 0.9) > 0.001 or piece.mean() < 0.02:
                continue
            found.append((np.std(piece - gaussian_filter(piece, 2)) / piece.mean(), y, x))
    found.sort(reverse=True)
    picked = found[:count] + found[len(found) // 2 : len(found) // 2 + count]
    return [(y, x) for _, y, x in picked]


class Compare:
    def __init__(self, program, folder):
        self.program, self.folder, self.dice = program, pathlib.Path(folder), np.random.default_rng(11)

    def write(self, name, light, iso, quality=93):
        path = self.folder / name
        noisy = exposed(light, iso, self.dice) if iso else light
        Image.fromarray(encode(noisy)).save(path, quality=quality, subsampling="4:2:0")
        return str(path)

    def told(self, files, radius=0.25):
        """What is told of all files but the first, which the others are held against."""
        return self.all_told(files, radius)[1:]

    def all_told(self, files, radius):
        command = [self.program, "compare", "--sharpness", "--json", "--response", "srgb", "--spot", f"it:0.5,0.5,{radius}", *files]
        run = subprocess.run(command, capture_output=True, text=True)
        if run.returncode not in (0, 1):
            sys.exit(f"{' '.join(command)}: {run.stderr}")
        return [json.loads(line) for line in run.stdout.splitlines()][: len(files)]


def spot(answer):
    return answer["spots"][0]


def main():
    asked = argparse.ArgumentParser()
    asked.add_argument("program")
    asked.add_argument("frames", nargs="+")
    asked.add_argument("--quick", action="store_true")
    asked.add_argument("--series", action="store_true")
    asked = asked.parse_args()
    if asked.series:
        sys.exit(series(asked.program, [pathlib.Path(folder) for folder in asked.frames]))
    widths = [0.5, 1, 2, 4, 8] if asked.quick else [0.5, 0.75, 1, 1.5, 2, 3, 4, 6, 8]
    speeds = [100, 800, 3200] if asked.quick else [100, 200, 400, 800, 1600, 3200]
    faults = []
    with tempfile.TemporaryDirectory() as folder:
        compare = Compare(asked.program, folder)
        pieces = []
        for frame in asked.frames:
            light = LIGHT[np.asarray(Image.open(frame).convert("RGB"))]
            for y, x in places(light, 1 if asked.quick else 3):
                pieces.append(light[y - SIDE // 2 : y + SIDE // 2, x - SIDE // 2 : x + SIDE // 2] * 0.8)
        print(f"{len(pieces)} places of {len(asked.frames)} frames")
        known(compare, pieces, widths, speeds, faults)
        discs(compare, pieces, faults)
        unchanged(compare, pieces, faults)
    for fault in faults:
        print("WRONG:", fault)
    sys.exit(bool(faults))


def good(width):
    return max(0.25, 0.15 * width)


def known(compare, pieces, widths, speeds, faults):
    print("\nblur told of those that scipy made, in pixels: median, worst off of those told, share told, intervals that hold it")
    print(f"{'blur':>6}" + "".join(f"  {'ISO ' + str(speed):>26}" for speed in speeds))
    table = {}
    for piece in pieces:
        blurred = [gaussian_filter(piece, (width, width, 0), truncate=6) for width in widths]
        for speed in speeds:
            reference = compare.write("reference.jpg", piece, speed)
            files = [compare.write(f"blurred-{at}.jpg", light, speed) for at, light in enumerate(blurred)]
            for width, answer in zip(widths, compare.told([reference, *files])):
                table.setdefault((width, speed), []).append(spot(answer).get("softness"))
    for width in widths:
        row = f"{width:>6}"
        for speed in speeds:
            all_ = table[width, speed]
            told = [softness for softness in all_ if softness]
            blurs = np.array([softness["blur"] for softness in told])
            held = np.mean([softness["least"] <= width <= softness["most"] for softness in told]) if told else 0
            worst = np.abs(blurs - width).max() if told else 0
            row += f"  {np.median(blurs) if told else 0:6.2f} {worst:6.2f} {len(told) / len(all_):6.0%} {held:5.0%}"
            if worst > good(width):
                faults.append(f"blur {width} at ISO {speed} is told {worst:.2f} off")
            if len(told) < 0.5 * len(all_):
                faults.append(f"blur {width} at ISO {speed} is told of {len(told)} of {len(all_)}")
        print(row, flush=True)


def discs(compare, pieces, faults):
    print("\nblur discs, as a defocused lens makes them: diameter told (four deviations), median and worst off, share told")
    for diameter in (2, 4, 8, 16, 32):
        told = []
        for piece in pieces:
            kernel = disc(diameter)
            blurred = np.stack([convolve(piece[..., i], kernel, mode="nearest") for i in range(3)], 2)
            files = [compare.write("reference.jpg", piece, 200), compare.write("disc.jpg", blurred, 200)]
            told += [softness["blur"] * 4 for answer in compare.told(files) if (softness := spot(answer).get("softness"))]
        worst = np.abs(np.array(told) - diameter).max() if told else 0
        if len(told) < 0.5 * len(pieces):
            faults.append(f"a disc of {diameter} is told of {len(told)} of {len(pieces)}")
        print(f"{diameter:>6} {np.median(told) if told else 0:6.2f} {worst:6.2f} {len(told) / len(pieces):6.0%}", flush=True)
        # A disc is no Gaussian: a quarter, or half a pixel, is what the equivalence is good for.
        if worst > max(1.0, 0.25 * diameter):
            faults.append(f"a disc of {diameter} is told {worst:.2f} off")


def unchanged(compare, pieces, faults):
    """Frames of the same sharpness: another exposure, moved by parts of a pixel, sharpened alike."""
    print("\nsame sharpness: how often a change is told, and finest detail told at the least and at the most, in per cent")

    def half(piece, down, right):
        side = SIDE // 2 - 8
        part = piece[down : down + 2 * side, right : right + 2 * side]
        return part.reshape(side, 2, side, 2, 3).mean((1, 3))

    def sharpened(light):
        return light + 1.0 * (light - gaussian_filter(light, (1, 1, 0)))

    cases = {"as it is": lambda p: (p, p)}
    for stops in (-2, -1, 0.25):
        cases[f"{stops:+} stops"] = lambda p, stops=stops: (p, p * 2.0**stops)
    for down, right in ((0, 1), (1, 1), (3, 5), (14, 9)):
        cases[f"moved {right / 2} and {down / 2} px"] = lambda p, down=down, right=right: (half(p, 0, 0), half(p, down, right))
    cases["sharpened both"] = lambda p: (sharpened(p), sharpened(p))
    for name, made in cases.items():
        details, changes, all_ = [], 0, 0
        for piece in pieces:
            before, after = made(piece)
            files = [compare.write("before.jpg", before, 200), compare.write("after.jpg", after, 200)]
            # Either may be the one that the other is held against.
            all_ += 1
            for answer in compare.all_told(files, 0.4):
                if softness := spot(answer).get("softness"):
                    details.append(100 * softness["detail"]["share"])
                    changes += softness["least"] > 0 or softness["most"] < 0
        print(f"  {name:<24} told {len(details)} of {all_}, a change {changes} times, {min(details, default=0):.1f} to {max(details, default=0):.1f}", flush=True)
        if len(details) < 0.5 * all_:
            faults.append(f"{name}: told of {len(details)} of {all_}")
        if changes:
            faults.append(f"{name}: a change is told {changes} times")


# What the program takes codings to do, docs/sharpness.md: pixels, and square pixels for each stop between the pieces.
BY_CODING, A_STOP = 0.45, 0.6
# Changes told where there is none, as a part of all spots that are told.
FEW = 0.02
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
    changes = sum(softness["least"] > 0 or softness["most"] < 0 for _, softness in spots)
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
