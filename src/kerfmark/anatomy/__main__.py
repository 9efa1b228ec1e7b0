"""`python -m kerfmark.anatomy 46 --out DIR`: write a tooth with its layers and sites."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from kerfmark.anatomy.export import write_tooth
from kerfmark.anatomy.notation import read_tooth, tooth_name
from kerfmark.anatomy.tooth import tooth
from kerfmark.errors import KerfmarkError, printable


def main(arguments: Sequence[str] | None = None) -> int:
    """Write a tooth; the exit status is 0, or 2 for what cannot be made."""
    parser = argparse.ArgumentParser(prog="python -m kerfmark.anatomy", description=__doc__)
    parser.add_argument("tooth", help="the tooth, in the notation given")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder for its files")
    parser.add_argument("--notation", default="fdi", choices=["fdi", "universal", "bracket"], help="default: fdi")
    parser.add_argument("--seed", type=int, help="another tooth of its kind, the same each time")
    parser.add_argument("--edge-mm", type=float, default=0.1, help="edge length of its surfaces, 0.05 to 0.3")
    parser.add_argument("--spacing-mm", type=float, help="also write volumes on a grid this fine")
    parser.add_argument("--cache", metavar="DIR", help="keep made teeth here")
    said = parser.parse_args(arguments)
    try:
        code = read_tooth(said.tooth, notation=said.notation)
        made = tooth(code, seed=said.seed, edge_mm=said.edge_mm, cache_dir=said.cache)
        files = write_tooth(said.out, made, spacing_mm=said.spacing_mm)
    except KerfmarkError as fault:
        sys.stderr.write(f"error: {fault}\n")
        return fault.exit_status
    except OSError as fault:
        where, why = printable(fault.filename or said.out), printable(fault.strerror or fault, limit=80)
        sys.stderr.write(f"error: {where}: {why}, expected a folder to write to, with room in it. Name another.\n")
        return 2
    sys.stdout.write(f"{code}, {tooth_name(code)}: {len(files)} files in {said.out}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
