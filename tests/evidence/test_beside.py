import pytest

from kerfmark.errors import InputError
from kerfmark.evidence import read_actions


def test_actions_are_read_with_who_and_by_when(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("about,action,owner,by\nroughness,ask again,criteria group,2027-02-01\n", encoding="utf-8")
    assert read_actions(path)[0].owner == "criteria group"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("about,action\na,b\n", "expected about, action, owner, by"),
        ("about,action,owner,by\na,b,,\n", "row 2: action or owner is empty"),
    ],
)
def test_actions_without_an_owner_are_refused(tmp_path, text, words):
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_actions(path)


def test_a_file_that_is_not_there_is_said_so(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_actions(tmp_path / "nope.csv")
