"""Files that a command writes: all of them whole, or none, and never over what is read."""

import errno
import os
import stat

import pytest

from kerfmark.errors import InputError
from kerfmark.outputs import Outputs, check_targets, write_whole


def full_disk():
    return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def write_and_fail(*targets, failure):
    with Outputs() as outputs:
        for target in targets:
            outputs.at(target).write_text("new")
        raise failure


def test_files_written_together_all_stand_at_the_end_and_nothing_else(tmp_path):
    with Outputs() as outputs:
        outputs.at(tmp_path / "a.txt").write_text("a")
        outputs.at(tmp_path / "b.txt").write_text("b")
        assert list(tmp_path.glob("*.txt")) == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.txt", "b.txt"]


@pytest.mark.parametrize("failure", [full_disk(), KeyboardInterrupt(), InputError("no")])
def test_a_failure_leaves_what_stood_there_and_no_part(tmp_path, failure):
    (tmp_path / "a.txt").write_text("old")
    expected = KeyboardInterrupt if isinstance(failure, KeyboardInterrupt) else InputError
    with pytest.raises(expected):
        write_and_fail(tmp_path / "a.txt", tmp_path / "b.txt", failure=failure)
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_a_message_names_the_file_as_it_was_given(tmp_path):
    with pytest.raises(InputError, match="No space left") as found:
        write_and_fail(tmp_path / "a.txt", failure=full_disk())
    assert str(found.value).startswith(str(tmp_path / "a.txt"))
    with pytest.raises(InputError) as found, Outputs() as outputs:
        raise InputError(f"{outputs.at(tmp_path / 'a.txt')}: too large")
    assert str(found.value) == f"{tmp_path / 'a.txt'}: too large"


def test_a_folder_takes_the_place_of_the_earlier_one(tmp_path):
    (tmp_path / "field").mkdir()
    (tmp_path / "field" / "old").touch()
    with Outputs() as outputs:
        made = outputs.at(tmp_path / "field")
        made.mkdir()
        (made / "new").touch()
    assert [p.name for p in (tmp_path / "field").iterdir()] == ["new"]


def test_a_link_is_followed_and_a_pipe_is_written_into(tmp_path):
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to("real")
    write_whole(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"
    os.mkfifo(tmp_path / "pipe")
    reading = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    write_whole(tmp_path / "pipe", b"through")
    assert os.read(reading, 20) == b"through"
    os.close(reading)
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_what_is_read_is_never_written_over(tmp_path):
    (tmp_path / "exercise").mkdir()
    (tmp_path / "exercise" / "subject.stl").touch()
    (tmp_path / "piece.stl").touch()
    (tmp_path / "link.stl").symlink_to("piece.stl")
    inputs = (tmp_path / "exercise", tmp_path / "piece.stl")
    for name in ("piece.stl", "link.stl", "exercise/subject.stl"):
        with pytest.raises(InputError, match="is what is to be read"):
            check_targets([tmp_path / name], inputs=inputs)
    check_targets([tmp_path / "exercise" / "report.html", None], inputs=inputs)


@pytest.mark.parametrize("name", ["x" * 300, "circle", "nowhere/a"])
def test_a_place_that_cannot_be_is_refused_in_words(tmp_path, name):
    (tmp_path / "circle").symlink_to("circle")
    with pytest.raises(InputError):
        check_targets([tmp_path / name])
