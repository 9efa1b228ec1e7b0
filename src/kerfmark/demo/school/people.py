"""Who is in an invented school, and its scanners."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.demo.school.making import EXAMINERS, LEARNERS, SITES, Making
from kerfmark.sittings.access import make_station_key
from kerfmark.sittings.devices import note_calibration
from kerfmark.sittings.keeping import school_settings, set_school_setting
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.sites import add_site
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    pass

__all__ = ["SCANNERS", "SCHOOL", "add_people"]

SCHOOL: Final = "Ellisgarth School of Dentistry (invented)"
GIVEN: Final = (
    "Ama", "Bruno", "Chiara", "Dunya", "Eskil", "Farah", "Gustav", "Hana", "Ines", "Jonas", "Kaya", "Liv", "Mateo", "Nadia", "Oskar", "Petra",
    "Quinn", "Rosa", "Sami", "Tove",
)  # fmt: skip
FAMILY: Final = (
    "Ashgarth", "Brackwell", "Corrie", "Dunmarsh", "Ellervik", "Fenholt", "Garrowby", "Hesk", "Ingleth", "Jarrock", "Keldmoor", "Lathe",
    "Morwick",
)  # fmt: skip
LEFT_HANDED = 0.12
SCANNERS: Final = (("scanner 1", "North Quay", 5), ("scanner 2", "North Quay", 40), ("scanner 3", "Old Mill", 160))
"""Each site's scanners, and how many days before the term they were calibrated: the last one's calibration is old by its end."""
CALIBRATED: Final = "ball plate, within its tolerance (simulated)"


def add_people(making: Making, password_hash: str | None) -> None:
    """Sites and everybody, with accounts; a learner's level says how close to the able end their hand is."""
    store, rng = making.store.at(lambda: making.began), making.rng
    for name in SITES:
        making.sites[name] = add_site(store, PROGRAM, name)
    if "name" not in school_settings(store):
        set_school_setting(store, PROGRAM, "name", SCHOOL)
    north, mill = making.sites.values()
    for device, site, days in SCANNERS:
        site_id = making.sites[site]
        key, _ = make_station_key(store, PROGRAM, site_id=site_id, rig=device)
        making.stations.setdefault(site_id, []).append(key)
        note_calibration(
            store, PROGRAM, site_id=site_id, device=device, done_at=making.began - timedelta(days=days), note=CALIBRATED
        )
    staff: list[tuple[str, str, list[tuple[str, str | None]]]] = [
        ("lead", "Runa Adeyemi", [("lead", None)]),
        ("teacher", "Ivo Marrick", [("teacher", north), ("teacher", mill)]),
    ]
    staff += [("technician", "Sunniva Holt", [("technician", None)]), ("auditor", "Piers Tarn", [("auditor", None)])]
    staff += [(f"examiner{n + 1}", f"{GIVEN[-1 - n]} {FAMILY[-1 - n]}", [("examiner", None)]) for n in range(EXAMINERS)]
    for login, name, roles in staff:
        making.people[login] = add_person(
            store, PROGRAM, code=login, name=f"{name} (invented)", login=login, roles=roles
        )
    for n in range(LEARNERS):
        code, name = f"L{n + 1:03d}", f"{GIVEN[n % len(GIVEN)]} {FAMILY[(5 * n + n // 20) % len(FAMILY)]}"
        site = (north, mill)[n % 2]
        login = f"learner{n + 1:02d}"
        making.people[login] = add_person(store, PROGRAM, code=code, name=name, login=login, roles=[("learner", site)])
        making.levels[login] = float(np.clip(rng.normal(0.45, 0.25), 0.0, 1.0))
    with store.write() as tx:
        for login, person_id in making.people.items():
            row = tx.get(kept.Person, person_id)
            assert row is not None
            row.password = password_hash
            if login.startswith("learner"):
                hand = "left" if rng.random() < LEFT_HANDED else "right"
                tx.add(kept.Trait(person_id=person_id, name="hand", value=hand, consented_at=tx.now))
    making.say(f"{len(making.people)} people at {len(SITES)} sites")
