"""Make pictures of every page: light, dark and at phone width, of a small invented school whose pieces are simulated and truly measured.

    python docs/make_pages.py FOLDER [--only NAME]

Needs Chromium and the test extra. What it makes is for looking at; the few that the docs show stand in docs/pictures/.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import threading
from pathlib import Path

import uvicorn
from playwright.sync_api import Page, sync_playwright

from kerfmark.demo.learners import simulated_piece
from kerfmark.settings import Settings, read_settings
from kerfmark.sittings import access
from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.handing_in import hand_in
from kerfmark.sittings.judging import give_own_view
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.people import add_person
from kerfmark.sittings.pieces import piece
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.seating import appoint, seat_learners
from kerfmark.sittings.sites import add_site
from kerfmark.sittings.work import Workforce, waiting
from kerfmark.storage import Store, open_store
from kerfmark.web.app import create_app
from kerfmark.web.drawn import draw_for_pages
from kerfmark.web.options import WebOptions
from kerfmark.web.security.passwords import hashed

EXERCISE, PLANNED = "full-crown-46", "implant-plan-36"
PLAN = "at=10.5&em=0.4&ef=-1.6&eo=-1.9&tm=2&tf=-6&long=11&diameter=4.1"
PASSWORD = "four plain words here"
PEOPLE = {
    "ruth": ("Ruth Adeyemi", "lead"), "tessa": ("Tessa Lindqvist", "teacher"), "elin": ("Elin Haddad", "examiner"),
    "ines": ("Ines Okafor", "learner"), "milo": ("Milo Ferreira", "learner"), "sora": ("Sora Nakamura", "learner"),
}  # fmt: skip
WITHOUT_PIECES = {"plan", "sign-in", "look", "keys", "account", "hand-in", "open-a-sitting", "exercises", "exercise"}
LEVELS = ("novice", "middle", "novice", "able")
PAGES = {
    "sign-in": (None, "/sign-in"), "look": (None, "/look"), "my-pieces": ("ines", "/pieces"), "hand-in": ("ines", "/pieces/new"), "judge": ("ines", "/pieces/{unseen}/judge"),
    "reveal": ("ines", "/pieces/{seen}/reveal"), "progress": ("ines", "/progress"), "sittings": ("ruth", "/sittings"), "sitting": ("ruth", "/sittings/{exam}"),
    "open-a-sitting": ("tessa", "/sittings/new"), "piece": ("ruth", "/pieces/{examined}"), "queue": ("elin", "/queue"), "decide": ("elin", "/pieces/{examined}/decide"),
    "exercises": ("tessa", "/exercises"), "exercise": ("tessa", "/exercises/{exercise}"), "plan": ("ines", f"/exercises/{{planned}}/plan?{PLAN}"), "limits": ("ruth", "/limits/{exercise}?c=10&low=0.9&high=1.25"),
    "learners": ("tessa", "/learners"), "learner": ("tessa", "/learners/{ines}"), "evidence": ("ruth", "/evidence?ask=1"), "line": ("ruth", "/evidence/line"), "rigs": ("ruth", "/rigs"), "admin": ("ruth", "/admin"),
    "audit": ("ruth", "/admin/audit"), "account": ("ruth", "/account"), "keys": ("ruth", "/keys"), "api": ("ruth", "/api/docs"),
}  # fmt: skip
LOOKS = {
    "light": {"viewport": {"width": 1440, "height": 900}, "color_scheme": "light"},
    "dark": {"viewport": {"width": 1440, "height": 900}, "color_scheme": "dark"},
    "phone": {
        "viewport": {"width": 390, "height": 844},
        "color_scheme": "light",
        "is_mobile": True,
        "has_touch": True,
        "device_scale_factor": 2,
    },
}


def main() -> None:
    """Build the school, serve it, photograph it."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("folder", type=Path)
    asked.add_argument("--only", choices=sorted(PAGES), nargs="*", default=sorted(PAGES))
    given = asked.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        settings = read_settings()
        store = open_store(Path(folder) / "store")
        ids = school(store, Path(folder), settings, with_pieces=not set(given.only) <= WITHOUT_PIECES)
        server = uvicorn.Server(
            uvicorn.Config(create_app(store, options=WebOptions(), settings=settings), port=0, log_level="error")
        )
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        pause = threading.Event()
        while not server.started:
            pause.wait(0.05)
        photograph(f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}", ids, given.folder, given.only)
        server.should_exit = True
        thread.join()
        store.close()


def school(store: Store, folder: Path, settings: Settings, *, with_pieces: bool = True) -> dict[str, str]:
    """People, an exam and a practice, pieces measured by workers (minutes); ids by what they are called."""
    ids = {"site": add_site(store, PROGRAM, "North Quay")}
    kept = hashed(PASSWORD)
    for login, (name, role) in PEOPLE.items():
        ids[login] = add_person(store, PROGRAM, code=f"{login}-1", name=name, login=login, roles=[(role, ids["site"])])
        access.use_link(store, access.invite(store, PROGRAM, ids[login]), password_hash=kept)
    ids["exercise"] = import_exercise(store, PROGRAM, EXERCISE, settings=settings)
    access.make_token(store, actor_of(store, ids["ruth"]), name="copies marks into the course book", scopes=["read"])
    access.make_station_key(store, PROGRAM, site_id=ids["site"], rig="Scanner 1")
    teacher = actor_of(store, ids["tessa"])
    ids["planned"] = import_exercise(store, PROGRAM, PLANNED, settings=settings, prove=False)
    ids["planning"] = open_sitting(store, teacher, title="Planning practice", site_id=ids["site"], exercise_id=ids["planned"], simulated=True)  # fmt: skip
    seat_learners(store, teacher, ids["planning"], [ids["ines"]])
    for kind, title in (("practice", "Crown practice, group B"), ("exam", "Crown examination, year 2")):
        ids[kind] = open_sitting(
            store, teacher, title=title, site_id=ids["site"], exercise_id=ids["exercise"], kind=kind, simulated=True,  # type: ignore[arg-type]
            prompts=["What would you do differently if you cut this again now?"],
        )  # fmt: skip
        seat_learners(store, teacher, ids[kind], [ids[login] for login in ("ines", "milo", "sora")])
        appoint(store, teacher, ids[kind], ids["elin"], "examiner")
    if not with_pieces:
        return ids
    made = [hand(store, folder, settings, ids, ids["practice"], "ines", seed) for seed in range(1, 5)]
    ids["examined"] = hand(store, folder, settings, ids, ids["exam"], "ines", 5)
    hand(store, folder, settings, ids, ids["exam"], "milo", 6)
    workers = Workforce(store, settings, workers=2, draw=draw_for_pages)
    workers.start()
    pause = threading.Event()
    while waiting(store):
        pause.wait(0.5)
    workers.stop()
    for k, piece_id in enumerate(made[:3]):
        judge(store, ids, piece_id, k)
    return {**ids, "seen": made[2], "unseen": made[3]}


def hand(
    store: Store, folder: Path, settings: Settings, ids: dict[str, str], sitting: str, login: str, seed: int
) -> str:
    """One simulated piece handed in with its neighbours."""
    path = folder / f"piece-{seed}.ply"
    written = simulated_piece(EXERCISE, level=LEVELS[seed % len(LEVELS)], seed=seed, settings=settings).write(path)
    beside = {side: file.read_bytes() for side, file in written.items()}
    receipt = hand_in(
        store,
        actor_of(store, ids[login]),
        content=path.read_bytes(),
        file_name=path.name,
        sitting_id=sitting,
        neighbours=beside,
    )
    return receipt.piece_id


def judge(store: Store, ids: dict[str, str], piece_id: str, k: int) -> None:
    """An own view that sees most of it rightly."""
    views = {}
    for at, ruling in enumerate(piece(store, PROGRAM, piece_id).by_limits):
        right = (at * 7 + k) % 5 != 0
        said = "inside" if (ruling.ruling == "met") == right else "outside"
        views[at] = (
            ("cannot tell", None) if (at + k) % 11 == 0 else (said, ("guess", "fairly sure", "sure")[(at + k) % 3])
        )
    give_own_view(store, actor_of(store, ids["ines"]), piece_id, views)  # type: ignore[arg-type]


def photograph(address: str, ids: dict[str, str], folder: Path, only: list[str]) -> None:
    """Every page in every look, as NAME-LOOK.png."""
    with sync_playwright() as running:
        found = shutil.which("chromium") or shutil.which("chromium-browser")
        browser = running.chromium.launch(
            executable_path=found, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        for look, options in LOOKS.items():
            desks: dict[str | None, Page] = {}
            for name, (login, place) in PAGES.items():
                if name not in only:
                    continue
                if login not in desks:
                    desks[login] = browser.new_context(**options).new_page()  # type: ignore[arg-type]
                    sign_in(desks[login], address, login)
                page = desks[login]
                page.goto(address + place.format(**ids), wait_until="load")
                if page.locator("kerfmark-view").count():
                    page.wait_for_selector('kerfmark-view:is([data-picture="1"], [data-picture="2"])', timeout=60_000)
                    page.wait_for_selector("kerfmark-view .kv-section svg", timeout=60_000)  # it comes by itself
                page.screenshot(path=folder / f"{name}-{look}.png", full_page=True)
                print(folder / f"{name}-{look}.png")
        browser.close()


def sign_in(page: Page, address: str, login: str | None) -> None:
    """Sign somebody in."""
    if login is None:
        return
    page.goto(f"{address}/sign-in")
    page.fill("#login", login)
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: "/sign-in" not in url)


if __name__ == "__main__":
    main()
