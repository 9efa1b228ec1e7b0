from dataclasses import asdict, replace

from kerfmark.records import Mark, Ruling
from kerfmark.reports.contents import contents_of
from kerfmark.settings import Limits


def test_every_criterion_has_one_number_in_unbroken_order(piece_report):
    contents = contents_of(piece_report[0], piece_report[2])
    assert [line.number for line in contents.lines] == list(range(1, len(piece_report[0].rulings) + 1))


def test_families_stand_in_the_order_of_their_first_criterion(piece_report):
    titles = [f.title for f in contents_of(piece_report[0], piece_report[2]).families]
    assert titles == ["Convergence", "Path of insertion", "Occlusal reduction", "Finish line", "Walls", "Neighbours"]


def test_what_is_not_applicable_has_no_row(piece_report):
    assessment, _, loaded = piece_report
    ruling = Ruling("process.duration_s", None, None, (0.0, 1800.0), None, "not applicable", 1.0, False)
    contents = contents_of(replace(assessment, rulings=(*assessment.rulings, ruling)), loaded)
    assert all(line.reading.id != "process.duration_s" for line in contents.lines)


def test_the_side_it_failed_on_is_the_side_of_its_limit(piece_report):
    lines = {line.reading.key: line for line in contents_of(piece_report[0], piece_report[2]).lines}
    for line in lines.values():
        if line.state == "notmet" and line.side_of_large == "over":
            above = line.reading.value > line.limits[1]
            assert line.side_words == ("cut too far" if above else "material left")
        if line.state == "met":
            assert line.side_words == ""


def test_the_title_block_counts_the_rulings(piece_report):
    contents = contents_of(piece_report[0], piece_report[2])
    shown = next(cell.figure for cell in contents.cells if cell.label == "rulings")
    assert sum(int(part.split()[0]) for part in shown.split(", ")) == len(contents.lines)


def test_a_mark_not_given_says_so(piece_report):
    assessment = replace(piece_report[0], mark=Mark(None, "refer"))
    contents = contents_of(assessment, piece_report[2])
    cell = next(cell for cell in contents.cells if cell.label == "mark")
    assert (cell.figure, cell.more) == ("not given", "pass line 60, waits for examiner")


def test_simulated_pieces_are_known_by_their_source(piece_report):
    assert contents_of(piece_report[0], piece_report[2], labels={"source": "simulated scan"}).simulated
    assert not contents_of(piece_report[0], piece_report[2]).simulated


def test_what_is_needed_to_make_it_again_is_there(piece_report):
    assessment = piece_report[0]
    shown = dict(contents_of(assessment, piece_report[2]).made_from)
    assert shown["kerfmark"] == assessment.kerfmark
    assert shown["exercise version"] == assessment.exercise_version
    assert shown["piece sha256"] == assessment.piece.sha256


def test_how_large_a_file_may_be_is_said_only_where_it_was_changed(piece_report):
    assessment = piece_report[0]

    def said(limits):
        settled = replace(assessment, settings={**assessment.settings, "limits": limits})
        return dict(contents_of(settled, piece_report[2]).made_from).get("a file may hold at most")

    assert said(asdict(Limits())) is None
    assert "file mib 4," in said(asdict(Limits(file_mib=4)))


def test_the_heading_of_the_strips_is_there_only_where_one_has_sides(piece_report):
    contents = contents_of(*piece_report[::2])
    assert contents.sided
    families = tuple(
        replace(f, lines=tuple(replace(x, side_of_large=None) for x in f.lines)) for f in contents.families
    )
    assert not replace(contents, families=families).sided
