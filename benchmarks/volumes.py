"""A CT of 512 × 512 × 512 voxels: opened, reformatted along a drawn arch, planned in; how long and with how much memory.

    python benchmarks/volumes.py              512³, as NRRD and as a DICOM series (needs 1 GiB of disk for a minute)
    python benchmarks/volumes.py --voxels 128 a quick look

Asked for: under 2 GiB of memory in all, one cross-section under 50 ms. The volume is simulated.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.reformat import arch_curve, cross_section, curved_reformat
from kerfmark.geometry.volumes import bounds_of, halfway_level, sample_volume
from kerfmark.intake.volumes import read_volume
from kerfmark.settings import Limits

SPACING_MM = 0.2
SECTIONS = 200


def written_nrrd(path: Path, n: int) -> None:
    """Slab by slab, so that writing takes no memory worth the name."""
    head = (
        f"NRRD0004\ntype: int16\ndimension: 3\nsizes: {n} {n} {n}\nspace: left-posterior-superior\n"
        f"space directions: ({SPACING_MM},0,0) (0,{SPACING_MM},0) (0,0,{SPACING_MM})\nspace origin: (0,0,0)\n"
        "endian: little\nencoding: raw\n\n"
    )
    with path.open("wb") as file:
        file.write(head.encode())
        for k in range(n):
            file.write(slab(k, n).tobytes(order="F"))


def slab(k: int, n: int) -> np.ndarray:
    """Bone in a horseshoe, softer inside, with noise."""
    rng = np.random.default_rng(k)
    x, y = np.meshgrid(np.arange(n) - 0.5 * n, np.arange(n) - 0.2 * n, indexing="ij")
    off = np.abs(np.hypot(x, y) - 0.35 * n)
    greys = np.where((off < 0.05 * n) & (abs(k - n / 2) < n / 5), 1200.0, -900.0) + rng.normal(0.0, 60.0, (n, n))
    return np.rint(greys).astype("<i2")


def written_series(folder: Path, n: int) -> None:
    """The same as DICOM slices."""
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

    folder.mkdir()
    for k in range(n):
        meta, data = FileMetaDataset(), Dataset()
        meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = CTImageStorage, f"1.2.3.{k + 1}"
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data.file_meta, data.SOPClassUID, data.SOPInstanceUID = meta, CTImageStorage, f"1.2.3.{k + 1}"
        data.SeriesInstanceUID, data.InstanceNumber, data.Rows, data.Columns = "1.2.3", k + 1, n, n
        data.SamplesPerPixel, data.PhotometricInterpretation, data.PixelRepresentation = 1, "MONOCHROME2", 1
        data.BitsAllocated = data.BitsStored = 16
        data.HighBit, data.RescaleSlope, data.RescaleIntercept = 15, 1, 0
        data.ImagePositionPatient, data.PixelSpacing = [0, 0, k * SPACING_MM], [SPACING_MM, SPACING_MM]
        data.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
        data.PixelData = slab(k, n).T.tobytes()
        data.save_as(folder / f"{k:04d}.dcm", enforce_file_format=True)


def look_at(path: Path) -> None:
    """Open, reformat and plan; in a process of its own, so that its memory is its own."""
    start = time.perf_counter()
    volume = read_volume(path, name=path.name, limits=Limits()).volume
    opened = time.perf_counter() - start
    high = bounds_of(volume)[1]
    turn = np.radians(np.linspace(10.0, 170.0, 9))
    middle = high * [0.5, 0.2, 0.5]
    points = middle + 0.35 * high[0] * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(9)])
    curve = arch_curve(points, up=[0.0, 0.0, 1.0], step_mm=SPACING_MM)
    start = time.perf_counter()
    unrolled = curved_reformat(volume, curve, above_mm=20.0, below_mm=20.0)
    curved = time.perf_counter() - start
    ways = np.linspace(0.0, curve.length_mm, SECTIONS)
    times = []
    for way in ways:
        start = time.perf_counter()
        cross_section(volume, curve, float(way), width_mm=25.0, above_mm=20.0, below_mm=20.0)
        times.append(time.perf_counter() - start)
    start = time.perf_counter()
    halfway_level(volume.values)
    rod = Cylinder(curve.points_mm[200], curve.points_mm[200] - [0.0, 0.0, 10.0], 2.05)
    sample_volume(volume, rod.surface_points(spacing_mm=0.1))
    planned = time.perf_counter() - start
    mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    cold, rest = 1e3 * times[0], 1e3 * np.array(times[1:])
    print(
        f"{path.name}: {' × '.join(map(str, volume.values.shape))}, opened in {opened:.1f} s; unrolled {unrolled.greys.shape} in "
        f"{1e3 * curved:.0f} ms; cross-section of 125 × 201 pixels: first {cold:.0f} ms, median {np.median(rest):.2f} ms, slowest "
        f"{rest.max():.1f} ms of {SECTIONS - 1}; level and sleeve {planned:.1f} s; at most {mib:.0f} MiB"
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--voxels", type=int, default=512)
    ask.add_argument("--look-at", type=Path, help=argparse.SUPPRESS)
    given = ask.parse_args()
    if given.look_at is not None:
        look_at(given.look_at)
        return
    with tempfile.TemporaryDirectory() as folder:
        for name, write in (("volume.nrrd", written_nrrd), ("series", written_series)):
            path = Path(folder) / name
            write(path, given.voxels)
            subprocess.run([sys.executable, __file__, "--look-at", str(path)], check=True)


if __name__ == "__main__":
    main()
