"""Names of teeth in three notations."""

import pytest

from kerfmark.anatomy import notation as n
from kerfmark.errors import InputError

# Source: pairs printed in public dental references; those not printed there follow from the counting rule.
SEEN_UNIVERSAL = {
    46: "30", 16: "3", 26: "14", 25: "13", 37: "18", 47: "31", 32: "23", 42: "26", 31: "24", 41: "25", 11: "8", 21: "9",
    18: "1", 28: "16", 38: "17", 48: "32", 55: "A", 65: "J", 75: "K", 85: "T", 51: "E", 61: "F", 71: "O", 81: "P",
}  # fmt: skip


def test_there_are_32_permanent_and_20_primary_codes():
    # Source: ISO 3950.
    assert len(n.FDI_CODES) == len(set(n.FDI_CODES)) == 52
    assert sum(not n.is_primary(fdi) for fdi in n.FDI_CODES) == 32


@pytest.mark.parametrize(("fdi", "universal"), SEEN_UNIVERSAL.items())
def test_universal_numbers_agree_with_the_published_pairs(fdi, universal):
    assert n.write_tooth(fdi, notation="universal") == universal


def test_universal_count_runs_round_the_mouth_without_a_gap():
    # Source: the rule of that notation: 1 upper right third molar … 16 upper left, 17 lower left … 32 lower right.
    round_the_mouth = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]
    assert [n.write_tooth(fdi, notation="universal") for fdi in round_the_mouth] == [str(k) for k in range(1, 33)]
    milk = [*range(55, 50, -1), *range(61, 66), *range(75, 70, -1), *range(81, 86)]
    assert "".join(n.write_tooth(fdi, notation="universal") for fdi in milk) == "ABCDEFGHIJKLMNOPQRST"


def test_the_mixed_dentition_example_reads_as_published():
    # Source: a printed chart example: a retained primary second molar in a lower right quadrant.
    written = ["LR1", "LR2", "LR3", "LR4", "LRE", "LR6", "LR7", "LR8"]
    assert [n.read_tooth(w, notation="bracket") for w in written] == [41, 42, 43, 44, 85, 46, 47, 48]


def test_bracket_glyphs_stand_on_the_side_the_quadrant_is_seen():
    # Source: Zsigmondy and Palmer's grid, seen from in front: upper right ┘, upper left └, lower right ┐, lower left ┌.
    assert [n.write_tooth(f, notation="bracket", glyphs=True) for f in (16, 26, 46, 36)] == ["6┘", "└6", "6┐", "┌6"]


@pytest.mark.parametrize("notation", ["fdi", "universal", "bracket"])
@pytest.mark.parametrize("glyphs", [False, True])
def test_all_52_codes_come_back_from_every_notation(notation, glyphs):
    written = [n.write_tooth(fdi, notation=notation, glyphs=glyphs) for fdi in n.FDI_CODES]
    assert len(set(written)) == 52
    assert tuple(n.read_tooth(w, notation=notation) for w in written) == n.FDI_CODES


def test_the_same_number_is_another_tooth_in_another_notation():
    # Source: the counting rule of the universal notation: universal 11 is FDI 23.
    assert n.read_tooth("11", notation="universal") == 23
    assert n.read_tooth("11", notation="fdi") == 11


def test_a_tooth_is_never_read_without_its_notation():
    with pytest.raises(TypeError):
        n.read_tooth("11")
    with pytest.raises(InputError, match=r"fdi, universal or bracket"):
        n.read_tooth("11", notation="")


@pytest.mark.parametrize("bad", ["", "0", "9", "19", "49", "56", "91", "+46", "4６", "46.0", None, True, 46.0, "٤٦"])
def test_what_is_no_tooth_is_refused_in_one_sentence_that_says_what_is(bad):
    with pytest.raises(InputError, match=r"expected an FDI number"):
        n.as_fdi(bad)


NOT_IN_THAT_NOTATION = [
    ("33", "universal"),
    ("U", "universal"),
    ("6", "bracket"),
    ("LRF", "bracket"),
    ("LR9", "bracket"),
]


@pytest.mark.parametrize(("bad", "notation"), NOT_IN_THAT_NOTATION)
def test_other_notations_refuse_what_they_do_not_have(bad, notation):
    with pytest.raises(InputError, match=notation):
        n.read_tooth(bad, notation=notation)


def test_mesial_lies_where_the_conventions_say():
    # Source: docs/conventions.md and the exercise format: "+x" in quadrants 1 3 5 7, "-x" in 2 4 6 8.
    assert [n.mesial_sign(f) for f in (11, 21, 31, 41, 51, 61, 71, 81)] == [1, -1, 1, -1, 1, -1, 1, -1]


def test_antimere_is_its_own_inverse_and_changes_side_only():
    for fdi in n.FDI_CODES:
        other = n.antimere(fdi)
        assert n.antimere(other) == fdi
        assert n.mesial_sign(other) == -n.mesial_sign(fdi)
        assert (n.position(other), n.is_upper(other), n.is_primary(other)) == (
            n.position(fdi),
            n.is_upper(fdi),
            n.is_primary(fdi),
        )


def test_kinds_count_as_in_a_whole_dentition():
    # Source: dental formula 2·1·2·3 permanent, 2·1·0·2 primary, four quadrants.
    kinds = [(n.is_primary(f), n.tooth_kind(f)) for f in n.FDI_CODES]
    assert [kinds.count((False, k)) for k in ("incisor", "canine", "premolar", "molar")] == [8, 4, 8, 12]
    assert [kinds.count((True, k)) for k in ("incisor", "canine", "molar")] == [8, 4, 8]
