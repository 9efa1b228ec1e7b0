"""Sizes and chewing surfaces of the virtual teeth against things nobody here made."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from kerfmark.anatomy.form import tooth_form
from kerfmark.anatomy.form.tables import sizes_of
from kerfmark.anatomy.form.variation import varied

ROOT = Path(__file__).parents[3]
UPPER_AND_LOWER = (*range(11, 19), *range(31, 39))
HANDBOOK_MM = 0.15  # what the project promises; the handbook itself is rounded to 0.5 mm


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("teeth_benchmark", ROOT / "benchmarks/teeth.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("fdi", UPPER_AND_LOWER)
def test_sizes_on_the_mesh_are_those_of_the_handbook(fdi, bench):
    # Source: Ash & Nelson, Wheeler's Dental Anatomy, table 1-1, as marked in dimensions.toml; measured with trimesh.
    form = tooth_form(fdi)
    measured = bench.caliper(form, bench.mesh_of(form, edge_mm=0.15))
    book = sizes_of(fdi)
    assert {n: measured[n] for n in bench.SIZES} == pytest.approx(
        {n: getattr(book, n) for n in bench.SIZES}, abs=HANDBOOK_MM
    )


@pytest.mark.parametrize(
    ("fdi", "crown", "md", "bl"),
    # Source: the same table as read on pages that quote it whole: upper first molar, lower central and lateral incisor, lower second molar.
    [(16, 7.5, 10.0, 11.0), (31, 9.0, 5.0, 6.0), (42, 9.5, 5.5, 6.5), (37, 7.0, 10.5, 10.0)],
)
def test_the_table_holds_the_handbook_rows_that_were_read_whole(fdi, crown, md, bl):
    book = sizes_of(fdi)
    assert (book.crown, book.md, book.bl) == (crown, md, bl)


@pytest.mark.parametrize("fdi", [11, 16, 34, 46])
def test_a_varied_tooth_is_as_large_on_the_mesh_as_it_says(fdi, bench):
    form = tooth_form(fdi, seed=7)
    measured = bench.caliper(form, bench.mesh_of(form, edge_mm=0.15))
    assert {n: measured[n] for n in bench.SIZES} == pytest.approx(
        {n: getattr(form.dimensions, n) for n in bench.SIZES}, abs=HANDBOOK_MM
    )


def test_upper_central_incisors_scatter_no_more_than_people():
    # Source: Orozco-Varo et al. 2015, 412 adults, mean 8.71 mm; women to men 8.06 to 8.59 mm (Sterrett et al. 1999). A seed's
    # tooth stays within two standard deviations of 6.5 % and its own 1.5 %.
    widths = np.array([varied(11, seed)[0].md for seed in range(300)])
    assert widths.std(ddof=1) / widths.mean() == pytest.approx(0.065, abs=0.008)
    assert np.abs(widths / 8.5 - 1).max() < 2 * 0.065 + 2 * 0.015


@pytest.mark.parametrize("fdi", [11, 24, 36, 45])
def test_chewing_surfaces_lie_near_those_of_scanned_crowns(fdi, bench):
    # Source: open scans of one mouth (28 crowns), MIT licence. 0.6 mm is the project's aim; all 28: benchmarks/teeth.py.
    if not bench.SCANS.exists():
        pytest.skip("the scanned crowns are not here (../shared/data/scanned-crowns-mit)")
    assert bench.compare(tooth_form(fdi), bench.scanned_crowns()[fdi])["both"] < 0.6


def test_another_tooth_is_told_from_a_scan_by_the_same_comparison(bench):
    # The comparison has teeth: an upper first molar laid on a scanned lower canine is farther off than the canine is.
    if not bench.SCANS.exists():
        pytest.skip("the scanned crowns are not here (../shared/data/scanned-crowns-mit)")
    scan = bench.scanned_crowns()[33]
    assert bench.compare(tooth_form(16), scan)["both"] > 1.5 * bench.compare(tooth_form(33), scan)["both"]
