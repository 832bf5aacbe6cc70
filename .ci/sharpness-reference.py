"""Holds the sharpness that greyhold measures against blurs that scipy made.

Takes real full-size frames, blurs them in linear light by scipy.ndimage.gaussian_filter (or by an even disc), adds the noise of an ISO
speed, codes them as JPEGs as a camera does, and has `greyhold compare --sharpness --json` tell the blur. A width counts as recovered within
0.25 pixels or 15 %, whichever is larger.

Usage: sharpness-reference.py GREYHOLD FRAME... [--quick]
Fails where a width that was told is not recovered, where too few are told, or where an exposure or a moved frame passes for a change.
"""
import argparse, json, pathlib, subprocess, sys, tempfile
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
    asked = asked.parse_args()
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


if __name__ == "__main__":
    main()
