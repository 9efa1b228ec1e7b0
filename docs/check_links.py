"""Every relative link and picture in README and docs leads somewhere."""

import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def broken(page: Path) -> list[str]:
    """Links of one page that lead nowhere."""
    targets = re.findall(r"\]\(([^)#\s]+)[^)]*\)", page.read_text(encoding="utf-8"))
    return [f"{page.relative_to(ROOT)}: {t}" for t in targets if "://" not in t and not (page.parent / t).exists()]


def main() -> None:
    """Print what is broken; fail if anything is."""
    pages = [ROOT / "README.md", ROOT / "CONTRIBUTING.md", *sorted((ROOT / "docs").rglob("*.md"))]
    missing = [line for page in pages if page.exists() for line in broken(page)]
    print("\n".join(missing) or f"{len(pages)} pages, every link leads somewhere")
    sys.exit(bool(missing))


if __name__ == "__main__":
    main()
