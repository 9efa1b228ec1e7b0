"""An implant planned in the page in a CT of 512 × 512 × 512 voxels: how long the server takes for each step of a drag, and its memory.

    python benchmarks/planning.py               512³, an exercise of its own (needs 600 MB of disk for a minute)
    python benchmarks/planning.py --voxels 128  a quick look

Asked for: under 50 ms a drag at the server, under 2 GiB of memory in all. The pages are asked in the process, through every layer but
the socket: rights, parsing, cutting, drawing, packing. The CT is simulated: a plain bone with roots and a canal.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx2 as httpx
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from implant_phantoms import planned_exercise

from kerfmark.exercise.folder import save_exercise
from kerfmark.settings import read_settings
from kerfmark.sittings import access
from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.sites import add_site
from kerfmark.storage import open_store
from kerfmark.web.app import create_app
from kerfmark.web.options import WebOptions
from kerfmark.web.security.passwords import hashed

STEPS = 60
SIZE_MM = 29.0
LOW_MM = np.array([-15.0, -14.5, -24.0])
PLACED = {
    "em": 0.0,
    "ef": 0.0,
    "eo": 0.0,
    "tm": 0.0,
    "tf": 0.0,
    "long": 10.0,
    "diameter": 4.1,
    "at": 10.0,
    "level": -6.0,
}


def written_ct(path: Path, n: int) -> None:
    """A CT of n³ voxels about the phantom's bone, slab by slab so that writing it takes no memory worth the name."""
    voxel = SIZE_MM / n
    head = (
        f"NRRD0004\ntype: int16\ndimension: 3\nsizes: {n} {n} {n}\nspace: left-posterior-superior\n"
        f"space directions: ({voxel},0,0) (0,{voxel},0) (0,0,{voxel})\nspace origin: ({LOW_MM[0]},{LOW_MM[1]},{LOW_MM[2]})\n"
        "endian: little\nencoding: raw\n\n"
    )
    x, y = np.meshgrid(LOW_MM[0] + voxel * np.arange(n), LOW_MM[1] + voxel * np.arange(n), indexing="ij")
    with path.open("wb") as file:
        file.write(head.encode())
        for k in range(n):
            z = LOW_MM[2] + voxel * k
            bone = (np.abs(x) < 11.0) & (np.abs(y) < 5.0) & (-22.0 < z < 0.0)
            root = ((np.hypot(x - 6.5, y) < 2.0) | (np.hypot(x + 7.5, y) < 2.0)) & (-14.0 < z < 0.0)
            canal = np.hypot(y - 0.5, np.full_like(y, z + 15.0)) < 1.25
            greys = np.where(canal, 0.0, np.where(root, 1700.0, np.where(bone, 900.0, 0.0)))
            noise = np.random.default_rng(k).normal(0.0, 40.0, (n, n))
            file.write(np.rint(greys + noise).astype("<i2").tobytes(order="F"))


class Desk:
    """Somebody signed in, asking pages of the server in this process."""

    def __init__(self, app: Any) -> None:
        self.runner = asyncio.Runner()
        self.client = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1", timeout=600)

    def get(self, address: str) -> Any:
        answer = self.runner.run(self.client.get(address))
        assert answer.status_code == 200, (address, answer.status_code, answer.text[:300])
        return answer

    def sign_in(self, password: str) -> None:
        token = re.search(r'name="form_token" value="(\w+)"', self.get("/sign-in").text)
        assert token is not None
        form = {"login": "ines", "password": password, "form_token": token[1]}
        assert self.runner.run(self.client.post("/sign-in", data=form)).status_code == 303


def timed(desk: Desk, address: str, changing: Callable[[int], dict[str, float]], *, picture: str | None = None) -> str:
    """Each step of a drag: the page's parts, and the pictures that are new by then; ms, median and slowest, and of the processor."""
    parts, busy, cut, seen = [], [], [], set()
    for k in range(STEPS):
        query = "&".join(f"{name}={value}" for name, value in {**PLACED, **changing(k)}.items())
        start, began = time.perf_counter(), time.process_time()
        text = desk.get(f"{address}/trial?{query}").text
        parts.append(time.perf_counter() - start)
        busy.append(time.process_time() - began)
        for found in re.findall(r'href="([^"]+picture\.png[^"]+)"', text):
            if found in seen or (picture and picture not in found):
                continue
            seen.add(found)
            start = time.perf_counter()
            desk.get(found.replace("&amp;", "&"))
            cut.append(time.perf_counter() - start)
    one, two = (1e3 * np.array(times[2:] if len(times) > 4 else times) for times in (parts, cut))
    pictures = f"; a picture {np.median(two):.1f}, slowest {two.max():.1f} ({len(two)} new)" if len(two) else ""
    own = f"of the processor {1e3 * np.median(busy):.1f}"
    return f"readings and outlines {np.median(one):.1f}, slowest {one.max():.1f}, {own}{pictures}"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--voxels", type=int, default=512)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        settings = replace(read_settings(), cache_dir=Path(folder) / "cache")  # else it was prepared by an earlier run
        loaded = planned_exercise(voxel_mm=1.0)
        save_exercise(Path(folder) / "exercise", loaded.exercise, loaded.assets)
        written_ct(Path(folder) / "exercise" / "ct.nrrd", given.voxels)
        store = open_store(Path(folder) / "store")
        site = add_site(store, PROGRAM, "North Quay")
        person = add_person(store, PROGRAM, code="i", name="Ines Okafor", login="ines", roles=[("teacher", site)])
        password = "four plain words here"
        access.use_link(store, access.invite(store, PROGRAM, person), password_hash=hashed(password))
        exercise = import_exercise(store, PROGRAM, Path(folder) / "exercise", settings=settings, prove=False)
        desk, address = Desk(create_app(store, options=WebOptions(), settings=settings)), f"/exercises/{exercise}/plan"
        desk.sign_in(password)
        start = time.perf_counter()
        desk.get(address)
        print(
            f"{given.voxels}³ voxels; the page, with the exercise prepared for the first time: {time.perf_counter() - start:.1f} s"
        )
        print("ms a step:")
        print("  slice moved up and down   ", timed(desk, address, lambda k: {"level": -12.0 + 0.25 * (k % 45)}))
        print("  looking along the arch    ", timed(desk, address, lambda k: {"at": 3.0 + 0.25 * (k % 55)}))
        print("  implant moved             ", timed(desk, address, lambda k: {"em": 0.03 * k, "eo": -0.02 * k}))
        print("  implant tilted            ", timed(desk, address, lambda k: {"tm": 0.2 * k, "tf": -0.1 * k}))
        print(
            "  the arch redrawn          ",
            timed(desk, address, lambda k: {"arch": f"-9,{0.02 * k:.2f},-6;0,0,-6;9,1,-6"}),
        )  # type: ignore[dict-item]
        print(f"at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB in all")
        store.close()


if __name__ == "__main__":
    main()
