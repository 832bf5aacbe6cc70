"""Holds greyhold's response solver against OpenCV's and colour-hdri's, on the same frames.

A camera of known response (IEC 61966-2-1) looks at a scene of known light in seven exposures; all three
recover its curve. Run with the path of the greyhold program; needs the packages opencv-python-headless,
colour-hdri, numpy, scipy and pillow from PyPI.
"""

import csv
import subprocess
import sys
import tempfile
from pathlib import Path

import colour_hdri
import cv2
import numpy as np
import yaml
from PIL import Image
from scipy.interpolate import BSpline

CODES = np.array([16, 32, 64, 96, 128, 160, 192, 224, 240])
# Stops allowed at these codes: 0.1 in the shadows, 0.05 above.
ALLOWED = np.array([0.1] + [0.05] * 8)
STOPS = np.arange(-4, 3)


def decode(code):
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def encode(light):
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def frames():
    """Grey tiles of 16 pixels, their light spread over eleven stops, lit a little less towards one side: frames
    are laid one over the other by what they show."""
    random = np.random.default_rng(1)
    tiles = np.exp(random.uniform(np.log(0.002), np.log(4), (20, 24)))
    scene = np.kron(tiles, np.ones((16, 16))) * np.linspace(1, 0.8, 24 * 16)
    exposed = [np.clip(0.5 * scene * 2.0**stops, 0, 1) for stops in STOPS]
    return [np.repeat(np.round(255 * encode(light)).astype(np.uint8)[..., None], 3, axis=2) for light in exposed]


def from_mid(curve):
    """Stops from code 128."""
    return np.log2(curve[CODES] / curve[128])


def greyhold(program, images, folder):
    names = []
    with open(folder / "exposures.csv", "w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["file", "exposure_stops"])
        for number, (image, stops) in enumerate(zip(images, STOPS)):
            exif = Image.Exif()
            exif[0x0110] = "reference camera"
            name = folder / f"{number}.png"
            Image.fromarray(image).save(name, exif=exif)
            table.writerow([name.name, int(stops)])
            names.append(str(name))
    subprocess.run(
        [program, "calibrate", "--exposures", folder / "exposures.csv", "--curves", folder, *names], check=True
    )
    (written,) = folder.glob("*.yaml")
    values = yaml.safe_load(written.read_text())["luminance"]["values"]
    step = 255 / (len(values) - 3)
    spline = BSpline(np.arange(-3, len(values) + 1) * step, values, 3)
    return np.exp2(spline(np.arange(256)))


def main():
    images = frames()
    times = (2.0**STOPS).astype(np.float32)
    truth = from_mid(decode(np.arange(256) / 255))
    opencv = cv2.createCalibrateDebevec(samples=200, lambda_=10, random=False).process(images, times)
    stack = colour_hdri.ImageStack()
    for image, time in zip(images, times):
        stack.append(colour_hdri.Image(data=image / 255, metadata=colour_hdri.Metadata(1, time, 100)))
    hdri = colour_hdri.camera_response_functions_Debevec1997(stack)
    with tempfile.TemporaryDirectory() as folder:
        ours = greyhold(sys.argv[1], images, Path(folder))
    found = {
        "truth (IEC 61966-2-1)": truth,
        f"OpenCV {cv2.__version__}": from_mid(opencv[:, 0, 0]),
        f"colour-hdri {colour_hdri.__version__}": from_mid(hdri[:, 1]),
        "greyhold": from_mid(ours),
    }
    print(f"{'code':24}" + "".join(f"{code:>9}" for code in CODES) + "    worst")
    for name, stops in found.items():
        worst = np.abs(stops - truth).max()
        print(f"{name:24}" + "".join(f"{stop:9.4f}" for stop in stops) + f"{worst:9.4f}")
    off = np.abs(found["greyhold"] - truth)
    if (off > ALLOWED).any():
        sys.exit("greyhold's solver is farther from the truth than allowed")
    apart = np.abs(found["greyhold"] - found[f"OpenCV {cv2.__version__}"])
    if (apart > ALLOWED).any():
        sys.exit("greyhold's solver is farther from OpenCV's than allowed")


main()
