"""The sheets: pages, words, typefaces, and the same bytes twice."""

import re
import shutil
import subprocess
from dataclasses import replace

import pytest

from kerfmark.reports.canvas import text_width
from kerfmark.reports.contents import contents_of
from kerfmark.reports.drawn import piece_scene
from kerfmark.reports.sheet import NAME_PX, REASON_PX, _shrunk, pdf_of, write_pdf

LABELS = {"piece": "P-0417", "learner": "L-012", "source": "simulated scan"}


@pytest.fixture(scope="module")
def sheet(piece_report, tmp_path_factory):
    path = tmp_path_factory.mktemp("sheets") / "piece.pdf"
    write_pdf(path, *piece_report, labels=LABELS)
    return path


def told(command, path):
    """What a poppler tool says of a PDF."""
    if shutil.which(command) is None:
        pytest.skip(f"{command} (poppler-utils) is not installed")
    arguments = [command, "-layout", str(path), "-"] if command == "pdftotext" else [command, str(path)]
    return subprocess.run(arguments, check=True, capture_output=True, text=True).stdout


def test_the_same_piece_gives_the_same_bytes(piece_report, sheet):
    assert pdf_of(piece_scene(*piece_report, labels=LABELS)) == sheet.read_bytes()


def test_it_is_a_pdf_of_a_few_a4_pages_without_a_date(sheet):
    # Source: ISO 216, A4 is 210 × 297 mm = 595.28 × 841.89 pt.
    said = told("pdfinfo", sheet)
    assert int(re.search(r"Pages:\s+(\d+)", said)[1]) <= 3
    assert re.search(r"Page size:\s+595\.2[0-9]* x 841\.[89]", said)
    assert "Title:" in said
    assert not re.search(r"(CreationDate|ModDate):\s+\S", said)


def test_every_criterion_limit_and_reading_is_printed(piece_report, sheet):
    words = told("pdftotext", sheet)
    for line in contents_of(piece_report[0], piece_report[2]).lines:
        assert line.full_name in words
        assert line.limits_text in words
        if line.reading.value is not None:
            assert line.value_text in words


def test_the_caution_scale_and_simulation_are_printed(sheet):
    words = told("pdftotext", sheet)
    assert "nothing here is for use on patients" in words
    assert re.search(r"Scale \d+ : 1", words)
    assert "simulated" in words


def test_signs_the_packaged_faces_lack_are_printed_in_the_same_face(sheet):
    words = told("pdftotext", sheet)
    assert "≤" in words
    assert "≥" in words
    fonts = told("pdffonts", sheet)
    assert set(re.findall(r"\+(\w+)-", fonts)) <= {"BarlowSheet", "Barlow"}


@pytest.mark.parametrize(
    ("words", "size", "width"),
    [
        ("Reduction, 36 mesiobuccal cusp", 13, NAME_PX),
        ("the piece came without a scan of its mesial neighbour", 11, REASON_PX),
    ],
)
def test_a_row_s_words_stay_on_its_one_line(words, size, width):
    # A bridge's 25 rows leave no room for a second line: what wrapped lay over the rows beside it.
    shrunk = _shrunk(words, size=size, width=width)
    assert text_width(words, size=shrunk * size) <= width + 0.5
    assert 0.75 <= shrunk <= 1.0


def test_the_version_stands_whole_on_every_sheet(piece_report, sheet):
    pages = told("pdftotext", sheet).split("\f")[:-1]
    version = f"kerfmark {piece_report[0].kerfmark}"
    assert [version in page for page in pages] == [True] * len(pages)
    assert all("…" not in page[page.rindex("made with") :] for page in pages)


def test_how_sure_stands_on_the_first_sheet_where_there_is_room_and_once(piece_report, sheet, tmp_path):
    # Five criteria leave half a sheet; all of them fill it.
    assessment, prepared, loaded = piece_report
    short = tmp_path / "short.pdf"
    write_pdf(short, replace(assessment, rulings=assessment.rulings[:5]), prepared, loaded, labels=LABELS)
    for path, first in ((short, True), (sheet, False)):
        pages = told("pdftotext", path).split("\f")
        assert ("How sure" in pages[0]) is first
        assert sum(page.count("How sure") for page in pages) == 1
