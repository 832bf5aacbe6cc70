"""Non-negative least squares of scipy (Lawson and Hanson 1974) on matrices that the tests solve, too.

Without an argument it holds the fixture against scipy; with --write it makes the fixture anew.
"""

import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import nnls

FIXTURE = Path(__file__).parent.parent / "fixtures" / "nnls.json"


def cases():
    """Shares of two to six lights on 400 cells, and frames with lights up, down and out."""
    random = np.random.default_rng(2026)
    for lights in range(2, 7):
        for kind in ("apart", "alike", "out"):
            x, y = random.uniform(0, 1, (2, 400))
            centre = random.uniform(0, 1, (2, lights))
            wide = random.uniform(0.15, 0.6, lights)
            away = (x[:, None] - centre[0]) ** 2 + (y[:, None] - centre[1]) ** 2
            matrix = np.exp(-away / wide**2)
            if kind == "alike":
                matrix[:, 1] = matrix[:, 0] * 1.1 + 0.01 * matrix[:, 1]
            powers = 2.0 ** random.uniform(-2, 2, lights)
            if kind == "out":
                powers[random.integers(lights)] = 0.0
            seen = matrix @ powers * 2.0 ** random.normal(0, 0.1, 400)
            # Every fourth cell is enough for a fixture.
            yield kind, matrix[::4].round(6), seen[::4].round(6)


def main():
    if "--write" in sys.argv:
        made = []
        for kind, matrix, seen in cases():
            solution, rest = nnls(matrix, seen)
            made.append({"kind": kind, "matrix": matrix.tolist(), "seen": seen.tolist(), "solution": solution.tolist(), "rest": rest})
        FIXTURE.write_text(json.dumps({"made_by": "scipy.optimize.nnls", "cases": made}) + "\n")
        return
    worst = 0.0
    for case in json.loads(FIXTURE.read_text())["cases"]:
        solution, _ = nnls(np.array(case["matrix"]), np.array(case["seen"]))
        worst = max(worst, float(np.abs(solution - case["solution"]).max()))
    print(f"fixtures/nnls.json against scipy's nnls: largest difference {worst:.1e}")
    if worst > 1e-9:
        sys.exit("the fixture is not what scipy says")


main()
