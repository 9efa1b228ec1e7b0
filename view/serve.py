"""A page with the view alone, for whoever works on it: `python view/serve.py EXERCISE PIECE`, then open the address it prints.

Serves on this machine only, with the content security policy that the product's pages have: a script, style or picture that would need more
fails here first. Tests and the benchmark drive it too.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

BUNDLE = Path(__file__).resolve().parents[1] / "src" / "kerfmark" / "web" / "view"
POLICY = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self' data:; connect-src 'self'"
TYPES = {".js": "text/javascript", ".css": "text/css", ".json": "application/json", ".txt": "text/plain"}


@dataclass
class Page:
    """What the page shows. `section` is called with plane, offset_mm, turn_deg and size, and gives an SVG."""

    scene: bytes
    section: Callable[[str, float, float, tuple[int, int]], str] | None = None
    still: str = ""
    attributes: dict[str, str] = field(default_factory=dict)
    other: bytes | None = None
    asked: list[str] = field(default_factory=list)

    def html(self) -> str:
        """The page."""
        given = {"scene": "/scene.glb", **({"section": "/section"} if self.section else {}), **self.attributes}
        given |= {"other": "/other.glb"} if self.other else {}
        said = "".join(f' {name}="{escape(value, quote=True)}"' for name, value in given.items())
        return (
            '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Kerfmark view</title>'
            '<meta name="viewport" content="width=device-width,initial-scale=1">'
            '<link rel="stylesheet" href="/tokens.css"><link rel="stylesheet" href="/static/view.css">'
            '<link rel="preload" href="/scene.glb" as="fetch" crossorigin="anonymous">'
            '<script type="module" src="/static/view.js"></script></head><body><main><h1 class="spoken">One piece</h1>'
            f'<kerfmark-view{said}><div class="still">{self.still}</div></kerfmark-view></main></body></html>'
        )


def tokens_css() -> str:
    """The colours and typefaces a product page brings along."""
    from kerfmark.reports import tokens

    light, dark = tokens.css_variables(tokens.LIGHT), tokens.css_variables(tokens.DARK)
    return (
        tokens.font_faces() + f"\n:root{{color-scheme:light dark;{light}--font:{tokens.PAGE_FONT};--matt:1}}"
        f"\n@media (prefers-color-scheme:dark){{:root{{{dark}--matt:.465}}}}"
        "\nbody{margin:0;background:var(--film);color:var(--ink);font:13px/18px var(--font)}"
        "main{margin:16px;background:var(--sheet);border:1.4px solid var(--ink)}@media(max-width:700px){main{margin:0;border-width:0 0 1.4px}}"
        "svg{display:block}.matt{filter:brightness(var(--matt))}.still svg{width:100%;max-width:420px;height:auto}"
        ".spoken{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}"
    )


def serving(page: Page) -> tuple[ThreadingHTTPServer, str]:
    """A server that runs until `shutdown()`, and its address."""
    style = tokens_css().encode()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            path = urlsplit(self.path).path
            page.asked.append(self.path)
            if path == "/favicon.ico":
                self.give(b"", "image/x-icon")
            elif path == "/":
                self.give(page.html().encode(), "text/html; charset=utf-8")
            elif path == "/tokens.css":
                self.give(style, "text/css")
            elif path == "/scene.glb":
                self.give(page.scene, "model/gltf-binary")
            elif path == "/other.glb" and page.other is not None:
                self.give(page.other, "model/gltf-binary")
            elif path == "/section" and page.section is not None:
                asked = {name: values[0] for name, values in parse_qs(urlsplit(self.path).query).items()}
                size = int(asked.get("width", 400)), int(asked.get("height", 424))
                svg = page.section(asked["plane"], float(asked["offset_mm"]), float(asked["turn_deg"]), size)
                self.give(svg.encode(), "image/svg+xml")
            elif path.startswith("/static/") and (BUNDLE / Path(path).name).is_file():
                file = BUNDLE / Path(path).name
                self.give(file.read_bytes(), TYPES[file.suffix])
            else:
                self.send_error(404)

        def give(self, body: bytes, kind: str) -> None:
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Content-Security-Policy", POLICY)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            """Keep quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server, f"http://127.0.0.1:{server.server_address[1]}/"


def page_of(exercise: str, piece: Path, *, plain: bool = False) -> Page:
    """The page of one piece."""
    from kerfmark.pipeline import assess_prepared, open_exercise
    from kerfmark.reports.drawn import piece_scene
    from kerfmark.reports.scene import plain_scene, scene_bytes, section_at, still_at
    from kerfmark.settings import read_settings

    settings = read_settings()
    loaded, prepared = open_exercise(exercise, settings=settings)
    beside = {side: piece.with_name(f"{piece.stem}-{side}.stl") for side in prepared.neighbours}
    neighbours = {side: path for side, path in beside.items() if path.exists() and piece.suffix != ".parquet"}
    assessment = assess_prepared(loaded, prepared, piece, neighbours=neighbours, settings=settings)
    data = scene_bytes(assessment, prepared, loaded)
    drawn = piece_scene(assessment, prepared, loaded)
    notes = (
        [{"letter": "a", "point_mm": list(map(float, prepared.sites[0].point_mm)), "words": "Look here first."}]
        if prepared.sites
        else []
    )
    return Page(
        plain_scene(data) if plain else data,
        lambda plane, offset, turn, size: section_at(
            drawn, plane=plane, offset_mm=offset, turn_deg=turn, plain=plain, size=size
        ),
        still_at(drawn, plain=plain),
        {"can-note": "", "notes": json.dumps([] if plain else notes)},
    )


def main() -> None:
    """Serve one piece until stopped."""
    import argparse

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("exercise")
    parser.add_argument("piece", type=Path)
    parser.add_argument("--plain", action="store_true", help="as before own views are in")
    asked = parser.parse_args()
    server, address = serving(page_of(asked.exercise, asked.piece, plain=asked.plain))
    print(address)
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        server.shutdown()


if __name__ == "__main__":
    main()
