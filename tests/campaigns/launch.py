"""Runs one campaign: a long proof with full counts, named and discovered, never part of the default run.

A campaign module is a file beside this one with a module-level `CAMPAIGNS: dict[str, Campaign]`. A function
takes a seed (every random choice must follow from it) and a text stream for its report. It returns
how many failures it found. `tests/run campaign NAME` calls this file with the installed packetkit.
"""

from __future__ import annotations

import argparse
import secrets
import sys
import time
from collections.abc import Callable, Sequence
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import TextIO

Campaign = Callable[[int, TextIO], int]

HERE = Path(__file__).resolve().parent


def discover(directory: Path = HERE) -> dict[str, Campaign]:
    """Return every campaign by name; two modules that claim one name are an error."""
    found: dict[str, Campaign] = {}
    for path in sorted(directory.glob("*.py")):
        if path.name == Path(__file__).name:
            continue
        spec = spec_from_file_location(f"campaigns_{path.stem}", path)
        assert spec is not None and spec.loader is not None
        module = module_from_spec(spec)
        sys.modules[spec.name] = module  # dataclasses look their module up
        spec.loader.exec_module(module)
        campaigns: dict[str, Campaign] = module.CAMPAIGNS
        twice = sorted(found.keys() & campaigns.keys())
        if twice:
            raise ValueError(f"{path.name}: the campaign {twice[0]} is already taken")
        found |= campaigns
    return found


def main(arguments: Sequence[str] | None = None, out: TextIO | None = None, directory: Path = HERE) -> int:
    """Return 0 when the campaign found no failure, 1 when it did, 2 when there is no such campaign."""
    stream = sys.stdout if out is None else out
    parser = argparse.ArgumentParser(prog="tests/run campaign")
    parser.add_argument("name", nargs="?")
    parser.add_argument("--seed", type=int)
    wanted = parser.parse_args(arguments)
    campaigns = discover(directory)
    if wanted.name is None:
        stream.write("".join(f"{name}\n" for name in sorted(campaigns)) or "there is no campaign\n")
        return 0
    if wanted.name not in campaigns:
        stream.write(
            f"there is no campaign {wanted.name}; there are: {', '.join(sorted(campaigns)) or 'none'}\n"
        )
        return 2
    seed = secrets.randbits(32) if wanted.seed is None else wanted.seed
    stream.write(f"campaign {wanted.name}, seed {seed} (repeat it with --seed {seed})\n")
    stream.flush()
    start = time.monotonic()
    failures = campaigns[wanted.name](seed, stream)
    stream.write(
        f"campaign {wanted.name}, seed {seed}: {failures} failures in {time.monotonic() - start:.0f} s\n"
    )
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
