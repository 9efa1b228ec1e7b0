"""Writes src/kerfmark/kernels/usual.json: the loops that a folder of compiled ones holds, as a first run of something leaves it.

    KERFMARK_THREADS=1 KERFMARK_COMPILED_DIR=/tmp/loops kerfmark demo --no-serve
    python benchmarks/usual_loops.py /tmp/loops

With one processor nothing is compiled ahead, so the list loses what is no longer used. The longest to compile come first, so that they are done when they are wanted.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from kerfmark.kernels.ahead import LIST


def main() -> None:
    found = []
    for path in Path(sys.argv[1]).glob("*.loop"):
        data = path.read_bytes()
        size = int.from_bytes(data[:4], "little")
        found.append((json.loads(data[4 : 4 + size])["of"], len(data)))
    found.sort(key=lambda one: (-one[1], one[0][:2]))
    LIST.write_text("[\n" + ",\n".join(json.dumps(of) for of, _ in found) + "\n]\n", encoding="utf-8")
    print(f"{len(found)} loops in {LIST}")


if __name__ == "__main__":
    main()
