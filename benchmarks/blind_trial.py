"""A blind trial of the virtual teeth: 32 renderings under random names, and the score of what a reader called them.

    python benchmarks/blind_trial.py render PICTURES KEY.json [SEED]
    python benchmarks/blind_trial.py score ANSWERS.json KEY.json

A picture shows one tooth, crown up (uppers too), from facial, from both sides, from lingual and from occlusal (facial up). The two sides
are called left and right as the reader sees the tooth from facial, never mesial and distal. ANSWERS.json maps picture names to FDI numbers.
The score is written to `docs/teeth-blind-trial.md`.
"""

from __future__ import annotations

import importlib.util
import json
import random
import sys
from collections import Counter
from pathlib import Path

from PIL import Image, ImageDraw

from kerfmark.anatomy.form import outer_surface, tooth_form
from kerfmark.anatomy.notation import tooth_name

ROOT = Path(__file__).resolve().parent.parent
CODES = [10 * quadrant + position for quadrant in (1, 2, 3, 4) for position in range(1, 9)]
VIEWS = {
    "facial": ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "left side": ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0)),
    "right side": ((-1.0, 0.0, 0.0), (0.0, 0.0, 1.0)),
    "lingual": ((0.0, -1.0, 0.0), (0.0, 0.0, 1.0)),
    "occlusal": ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0)),
}


def render(pictures: Path, key: Path, seed: int) -> None:
    """Draw every tooth once, named at random, and keep the key apart."""
    shaded = _gallery().shaded
    names = random.Random(seed).sample(range(100, 1000), len(CODES))
    pictures.mkdir(parents=True, exist_ok=True)
    key.write_text(json.dumps({str(name): code for code, name in zip(CODES, names, strict=True)}))
    for code, name in zip(CODES, names, strict=True):
        sheet = Image.new("RGB", (5 * 300, 500), (249, 250, 249))
        surface = outer_surface(tooth_form(code))
        for column, (words, (eye, up)) in enumerate(VIEWS.items()):
            sheet.paste(shaded([(surface, 1.0)], eye, up, px_per_mm=17.0, size=(300, 460)), (300 * column, 40))
            ImageDraw.Draw(sheet).text((300 * column + 10, 10), words, fill=(23, 32, 30))
        sheet.save(pictures / f"{name}.png")


def score(answers: Path, key: Path) -> None:
    """Count what was named rightly and write the confusion table."""
    truth, given = json.loads(key.read_text()), json.loads(answers.read_text())
    rows = sorted((truth[name], int(given.get(name, 0))) for name in truth)
    right = sum(code == called for code, called in rows)
    types = sum(_type(code) == _type(called) for code, called in rows)
    wrong = Counter((code, called) for code, called in rows if code != called)
    lines = [
        "# Blind trial of the virtual teeth",
        "",
        "Thirty-two renderings under random names in random order (`benchmarks/blind_trial.py`), each named by a reader who knew neither",
        "names nor order, from the picture alone: crown up, five views, the two sides not told apart. The reader was a language model",
        "looking at the pictures, not a dentist; it knew that every tooth occurs once, and how to tell left from right in a tooth drawn crown",
        "up. A trial with dentists is still to be held.",
        "",
        f"- tooth and side right: **{right} of {len(rows)}**",
        f"- type right (side left open): **{types} of {len(rows)}**",
        "",
        *(["| shown | called |", "|---|---|"] if wrong else ["No tooth was named wrongly."]),
        *(f"| {code} {tooth_name(code)} | {called} {tooth_name(called) if called else 'not named'} |" for (code, called), _ in sorted(wrong.items())),
        *(["", "Teeth not listed were named rightly."] if wrong else []),
    ]  # fmt: skip
    (ROOT / "docs" / "teeth-blind-trial.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


def _type(code: int) -> tuple[bool, int]:
    return code // 10 in (1, 2), code % 10


def _gallery() -> object:
    spec = importlib.util.spec_from_file_location("gallery", ROOT / "docs" / "gallery" / "make.py")
    assert spec is not None
    assert spec.loader is not None
    sys.argv = sys.argv[:1]
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


if __name__ == "__main__":
    what, first, second = sys.argv[1:4]
    if what == "render":
        render(Path(first), Path(second), int(sys.argv[4]) if len(sys.argv) > 4 else 1)
    else:
        score(Path(first), Path(second))
