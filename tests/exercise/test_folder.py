"""Exercises out of folders and zips, their versions, and what is refused."""

from __future__ import annotations

import hashlib
import json
import os
import stat
import zipfile
from pathlib import Path

import pytest

from kerfmark.errors import InputError
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import load_exercise, save_exercise, version_of
from kerfmark.settings import Limits

ASSETS = {"subject.stl": b"subject", "target.stl": b"target"}


@pytest.fixture
def folder(tmp_path, crown_table) -> Path:
    save_exercise(tmp_path / "stump", as_exercise(crown_table), ASSETS)
    return tmp_path / "stump"


def zipped(folder: Path, *, top: str = "", extra: dict[str, bytes] | None = None) -> Path:
    path = folder.parent / "stump.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for file in sorted(folder.iterdir()):
            archive.write(file, top + file.name)
        for name, data in (extra or {}).items():
            archive.writestr(name, data)
    return path


def refusal(source: str | Path, limits: Limits | None = None) -> str:
    with pytest.raises(InputError) as caught:
        load_exercise(source, limits=limits or Limits())
    assert len(str(caught.value).splitlines()) <= 3
    return str(caught.value)


def test_a_saved_exercise_is_read_back_equal(folder, crown_table):
    loaded = load_exercise(folder, limits=Limits())
    assert loaded.exercise == as_exercise(crown_table)
    assert dict(loaded.assets) == ASSETS
    assert loaded.version.startswith("sha256:")


@pytest.mark.parametrize("top", ["", "any name/"])
def test_a_zip_has_the_version_of_its_folder(folder, top):
    assert (
        load_exercise(zipped(folder, top=top), limits=Limits()).version
        == load_exercise(folder, limits=Limits()).version
    )


def test_comments_order_line_ends_and_a_byte_order_mark_do_not_change_the_version(folder):
    before = load_exercise(folder, limits=Limits()).version
    file = folder / "exercise.toml"
    head, *tables = file.read_text().split("\n[")
    shuffled = "# said anew\n" + head + "\n[" + "\n[".join([tables[2], *tables[:2], *tables[3:]])
    file.write_bytes(b"\xef\xbb\xbf" + shuffled.replace("\n", "\r\n").encode())
    assert load_exercise(folder, limits=Limits()).version == before


def test_a_default_written_out_does_not_change_the_version(folder):
    before = load_exercise(folder, limits=Limits()).version
    with (folder / "exercise.toml").open("a") as file:
        file.write("\n[pass]\nminimum_percent = 60\n")
    assert load_exercise(folder, limits=Limits()).version == before


def test_a_key_that_came_later_changes_the_version_only_where_it_is_given(folder):
    # Source: the canonical text written out a second time, without the keys that came later.
    loaded = load_exercise(folder, limits=Limits())
    definition = loaded.exercise.model_dump(by_alias=True)
    definition["subject"]["layers"] = []
    for criterion in definition["criteria"]:
        assert (criterion.pop("outcome"), criterion.pop("source")) == (None, None)
    assert not definition.pop("abutments")
    for table, key in (
        ("subject", "arch"),
        ("subject", "hounsfield"),
        ("subject", "series"),
        ("target", "axis"),
        ("structures", "implants"),
        ("permitted", "implant_diameters_mm"),
    ):
        assert not definition[table].pop(key)
    assets = {name: hashlib.sha256(data).hexdigest() for name, data in ASSETS.items()}
    text = json.dumps({"exercise": definition, "assets": assets}, sort_keys=True, separators=(",", ":")).replace(
        "Infinity", '"inf"'
    )
    assert loaded.version == "sha256:" + hashlib.sha256(text.encode()).hexdigest()
    told = loaded.exercise.criteria[0].model_copy(update={"source": "a handbook"})
    after = loaded.exercise.model_copy(update={"criteria": (told, *loaded.exercise.criteria[1:])})
    assert version_of(after, loaded.assets) != loaded.version


def test_a_changed_limit_or_asset_changes_the_version(folder):
    versions = {load_exercise(folder, limits=Limits()).version}
    (folder / "target.stl").write_bytes(b"another target")
    versions.add(load_exercise(folder, limits=Limits()).version)
    text = (folder / "exercise.toml").read_text()
    (folder / "exercise.toml").write_text(text.replace("[2.0, 10.0]", "[2.0, 10.5]"))
    versions.add(load_exercise(folder, limits=Limits()).version)
    assert len(versions) == 3


def test_the_order_of_layers_counts_because_the_later_one_wins(folder, crown_table):
    layers = {"enamel": "subject.stl", "dentine": "target.stl"}
    there, back = dict(layers), dict(reversed(layers.items()))
    versions = set()
    for order in (there, back):
        table = crown_table | {"subject": {"surface": "subject.stl", "layers": order}}
        save_exercise(folder, as_exercise(table), ASSETS)
        versions.add(load_exercise(folder, limits=Limits()).version)
    assert len(versions) == 2


def test_only_named_files_are_read(folder):
    (folder / "notes.txt").write_text("not part of it")
    assert set(load_exercise(folder, limits=Limits()).assets) == set(ASSETS)


def test_a_missing_file_is_told_with_the_key_and_the_nearest_name(folder):
    (folder / "subject.stl").rename(folder / "subject2.stl")
    told = refusal(folder)
    assert "[subject] surface names 'subject.stl'" in told
    assert "subject2.stl" in told


def test_an_unknown_name_says_that_no_path_was_found_either():
    told = refusal("full-crown-64")
    assert "neither a path that is there nor a built-in exercise" in told
    assert "'full-crown-46' is the nearest known one" in told


@pytest.mark.parametrize("name", ["", "a\0b", "x" * 5000])
def test_names_no_file_can_have_are_refused_calmly(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    refusal(name)


def test_the_definition_itself_is_sent_to_its_folder(folder):
    assert "expected its folder" in refusal(folder / "exercise.toml")


def test_a_link_out_of_the_folder_is_refused_and_one_inside_is_followed(folder, tmp_path):
    (tmp_path / "secret").write_bytes(b"secret")
    (folder / "subject.stl").unlink()
    (folder / "subject.stl").symlink_to(tmp_path / "secret")
    assert "leads out of the folder" in refusal(folder)
    (folder / "subject.stl").unlink()
    (folder / "subject.stl").symlink_to(folder / "target.stl")
    assert load_exercise(folder, limits=Limits()).assets["subject.stl"] == b"target"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_or_a_folder_in_place_of_a_file_is_refused_at_once(folder):
    (folder / "subject.stl").unlink()
    os.mkfifo(folder / "subject.stl")
    assert "no regular file" in refusal(folder)
    (folder / "subject.stl").unlink()
    (folder / "subject.stl").mkdir()
    assert "no regular file" in refusal(folder)


@pytest.mark.parametrize(
    "name", ["../outside", "a/../../outside", "/outside", "C:outside", "a\\b", "a//b", "./a", "bad\x1bname"]
)
def test_a_zip_that_reaches_outside_itself_is_refused(folder, name):
    assert "member" in refusal(zipped(folder, extra={name: b"x"}))


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_zip_with_a_doubled_name_is_refused(folder):
    assert "is there twice" in refusal(zipped(folder, extra={"subject.stl": b"x"}))


def test_a_zip_with_a_link_is_refused(folder):
    path = zipped(folder)
    with zipfile.ZipFile(path, "a") as archive:
        member = zipfile.ZipInfo("link")
        member.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(member, "/etc/passwd")
    assert "is a link or a device" in refusal(path)


def test_a_locked_zip_is_refused(folder):
    path = zipped(folder)
    data = bytearray(path.read_bytes())
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        start = 0
        while (start := data.find(signature, start)) >= 0:
            data[start + flags] |= 1
            start += 4
    path.write_bytes(bytes(data))
    assert "locked by a password" in refusal(path)


def test_what_some_systems_add_to_a_zip_is_passed_over(folder):
    path = zipped(folder, top="stump/", extra={"__MACOSX/stump/._exercise.toml": b"x", ".DS_Store": b"x"})
    assert load_exercise(path, limits=Limits()).version == load_exercise(folder, limits=Limits()).version


def test_a_zip_with_two_folders_at_the_top_has_no_exercise(folder):
    assert "has no exercise.toml" in refusal(zipped(folder, top="a/", extra={"b/more": b"x"}))


def test_every_size_limit_is_named_with_its_value(folder):
    path = zipped(folder)
    assert "zip_members = 2" in refusal(path, Limits(zip_members=2))
    (folder / "subject.stl").write_bytes(bytes(3 * 2**20))
    assert "file_mib = 2" in refusal(folder, Limits(file_mib=2))
    assert "unpacked_mib = 1" in refusal(folder, Limits(unpacked_mib=1))
    packed = zipped(folder)
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in folder.iterdir():
            archive.write(file, file.name)
    assert "unpacked_mib = 1" in refusal(packed, Limits(unpacked_mib=1))
    assert "file_mib = 2" in refusal(packed, Limits(file_mib=2))
    (folder / "exercise.toml").write_bytes(b"#" * (2 * 2**20))
    assert "toml_mib = 1" in refusal(folder, Limits(toml_mib=1))


def test_a_damaged_member_of_a_zip_is_told(folder):
    path = zipped(folder)
    data = path.read_bytes()
    path.write_bytes(
        data.replace(b"subject", b"sUbject", 1)
        if data.count(b"subject") == 1
        else data.replace(b"target" + b"PK", b"tArget" + b"PK")
    )
    assert "cannot be read" in refusal(path)
