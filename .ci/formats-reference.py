#!/usr/bin/env python3
"""What outside decoders read in the same files: LibRaw (PyPI rawpy) of raw files, libheif (PyPI pillow_heif) of HEIF.

Usage: formats-reference.py OUT FILE...   Writes the mean light (raw files, linear, 1 is saturation) or the mean codes (HEIF) of
the cells of a grid of 12 by 8 over the upright picture, 8 by 12 of an upright format. What a decoder refuses is left out, and told.
"""
import json
import sys
from pathlib import Path

import numpy as np


def cells(picture):
    height, width = picture.shape[:2]
    columns, rows = (12, 8) if width >= height else (8, 12)
    down = np.arange(height) * rows // height
    across = np.arange(width) * columns // width
    return [
        [float(c) for c in picture[down == row][:, across == column].reshape(-1, 3).mean(axis=0)]
        for row in range(rows)
        for column in range(columns)
    ]


def raw(path):
    import rawpy

    with rawpy.imread(str(path)) as file:
        return file.postprocess(
            gamma=(1, 1), no_auto_bright=True, use_camera_wb=True, output_bps=16, half_size=True,
            highlight_mode=rawpy.HighlightMode.Clip,
        ).astype(np.float64) / 65535


def heif(path):
    import pillow_heif

    return np.asarray(pillow_heif.open_heif(str(path), convert_hdr_to_8bit=True).to_pillow().convert("RGB"), dtype=np.float64)


def main():
    out, files = Path(sys.argv[1]), [Path(name) for name in sys.argv[2:]]
    read = []
    for path in files:
        is_heif = path.suffix.lower() in (".hif", ".heic", ".heif")
        try:
            picture = heif(path) if is_heif else raw(path)
        except Exception as fault:  # what a decoder refuses differs by file
            print(f"{path.name}: the outside decoder refuses it ({fault})")
            continue
        read.append({"file": str(path.resolve()), "linear": not is_heif, "cells": cells(picture)})
    out.write_text(json.dumps(read))
    print(f"{len(read)} of {len(files)} files read by outside decoders")


if __name__ == "__main__":
    main()
