"""What is linked into the program, and on which terms: for `packaging/notices` and `.ci/allowed`."""

import json
import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
# The systems that archives are made for, or may be.
TARGETS = [
    "x86_64-unknown-linux-gnu",
    "aarch64-unknown-linux-gnu",
    "x86_64-pc-windows-gnu",
    "x86_64-pc-windows-msvc",
    "x86_64-apple-darwin",
    "aarch64-apple-darwin",
]


def metadata(target=None):
    """What cargo says of the project and all that it uses, on one system or on all."""
    only = ["--filter-platform", target] if target else []
    said = subprocess.run(
        ["cargo", "metadata", "--format-version", "1", "--locked", *only], cwd=ROOT, check=True, stdout=subprocess.PIPE
    )
    return json.loads(said.stdout)


def linked(target):
    """Packages whose code is in the program on this system: neither what tests use, nor what only builds it."""
    told = metadata(target)
    packages = {package["id"]: package for package in told["packages"]}
    uses = {node["id"]: node["deps"] for node in told["resolve"]["nodes"]}
    root = told["resolve"]["root"]
    found, ahead = {}, [root]
    while ahead:
        one = ahead.pop()
        if one in found:
            continue
        package = packages[one]
        # A macro's code runs in the compiler.
        if any("proc-macro" in kind for kind in (target["kind"] for target in package["targets"])):
            continue
        found[one] = package
        for used in uses[one]:
            if any(kind["kind"] is None for kind in used["dep_kinds"]):
                ahead.append(used["pkg"])
    del found[root]
    return list(found.values())


def alternatives(expression):
    """A licence expression (SPDX, Annex D of the specification, and the '/' of old manifests) as the sets of licences of which one must
    be kept."""
    tokens = re.findall(r"\(|\)|[^\s()/]+|/", expression)
    at = 0

    def either():
        nonlocal at
        found = both()
        while at < len(tokens) and tokens[at] in ("OR", "/"):
            at += 1
            found = found + both()
        return found

    def both():
        nonlocal at
        found = one()
        while at < len(tokens) and tokens[at] == "AND":
            at += 1
            other = one()
            found = [left | right for left in found for right in other]
        return found

    def one():
        nonlocal at
        token = tokens[at]
        at += 1
        if token == "(":
            found = either()
            if tokens[at] != ")":
                raise ValueError(f"{expression}: a bracket is not closed")
            at += 1
            return found
        if at < len(tokens) and tokens[at] == "WITH":
            token = f"{token} WITH {tokens[at + 1]}"
            at += 2
        return [frozenset([token])]

    found = either()
    if at != len(tokens):
        raise ValueError(f"{expression}: what does '{tokens[at]}' mean here?")
    return found
