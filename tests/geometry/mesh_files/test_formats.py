"""The corners of each format: what is understood, and how what is not is refused."""

from __future__ import annotations

import io
import json
import zipfile

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.geometry import mesh
from kerfmark.geometry.mesh_files import read_mesh_file
from kerfmark.geometry.mesh_files.glb import BIN_CHUNK, JSON_CHUNK, _chunk
from kerfmark.settings import Limits

LIMITS = Limits()
TETRA = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
TETRA_FACES = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]
SIXTH = pytest.approx(1 / 6)  # volume of the unit tetrahedron


def read(data, name="piece", limits=LIMITS):
    return read_mesh_file(data if isinstance(data, bytes) else data.encode(), name=name, limits=limits)


def volume(data, name="piece"):
    return mesh.volume_mm3(read(data, name).surface)


def facet(points, normal="0 0 0"):
    corners = "\n".join("vertex {} {} {}".format(*p) for p in points)
    return f"facet normal {normal}\nouter loop\n{corners}\nendloop\nendfacet\n"


def ascii_stl(head="solid x", tail="endsolid x\n", **keywords):
    return head + "\n" + "".join(facet([TETRA[i] for i in f], **keywords) for f in TETRA_FACES) + tail


# STL


@pytest.mark.parametrize(
    "text",
    [
        ascii_stl(), ascii_stl().upper(), ascii_stl().replace("\n", "\r\n"), "\ufeff" + ascii_stl(), "  \n" + ascii_stl(),
        ascii_stl(head="solid", tail="endsolid"), ascii_stl(normal="nan nan nan"), ascii_stl().replace("1", "1.0e+00"),
        ascii_stl(head="solid of endsolid facets"),
    ],
)  # fmt: skip
def test_ascii_stl_is_read_however_it_is_laid_out(text):
    assert volume(text) == SIXTH


def test_several_solids_in_one_ascii_stl_are_all_read():
    assert len(read(ascii_stl() + ascii_stl().replace("vertex 0 0 0", "vertex 0 0 9")).surface.faces) == 8


@pytest.mark.parametrize(
    "text",
    [
        ascii_stl(tail=""), ascii_stl()[:200], ascii_stl().replace("vertex 1 0 0", "vertex 1 0", 1),
        ascii_stl().replace("endloop", "vertex 1 1 1\nendloop", 1), ascii_stl().replace("vertex 1 0 0", "vertex 1 0 x", 1),
        ascii_stl() + "junk",
    ],
)  # fmt: skip
def test_a_damaged_ascii_stl_is_refused_with_the_line(text):
    with pytest.raises(InputError, match=r"piece: line \d+ breaks the form.*export it again"):
        read(text)


def test_a_binary_stl_may_begin_with_the_word_solid(valid_files):
    data = b"solid facet normal".ljust(80) + valid_files["ball.stl"][80:]
    assert read(data).format == "stl"


def test_bytes_after_the_last_triangle_are_passed_over_with_a_remark(valid_files):
    (remark,) = read(valid_files["ball.stl"] + b"\0\0\0", "x.stl").remarks
    assert (remark.code, remark.message) == ("bytes-left-over", "3 bytes after the last triangle passed over")


def test_a_binary_stl_cut_short_says_what_was_promised_and_what_is_there(valid_files):
    with pytest.raises(InputError, match=r"x\.stl: says 320 triangles but has room for 319.*cut short"):
        read(valid_files["ball.stl"][:-10], "x.stl")


def test_a_huge_count_is_refused_before_memory_is_set_aside(valid_files):
    data = valid_files["ball.stl"][:80] + b"\xff\xff\xff\xff" + valid_files["ball.stl"][84:]
    with pytest.raises(InputError, match="says 4294967295 triangles but has room for 320"):
        read(data, "x.stl")


# PLY


def ascii_ply(vertex="float x\nproperty float y\nproperty float z", faces=TETRA_FACES, rows=None, tail=""):
    rows = [" ".join(map(str, p)) for p in TETRA] if rows is None else rows
    lines = [f"{len(f)} " + " ".join(map(str, f)) for f in faces]
    return (
        f"ply\nformat ascii 1.0\ncomment any\nelement vertex {len(rows)}\nproperty {vertex}\nelement face {len(faces)}\n"
        "property list uchar int vertex_indices\nend_header\n" + "\n".join([*rows, *lines]) + tail
    )


def test_ascii_ply_is_read_and_other_properties_passed_over():
    extra = ascii_ply(
        vertex="uchar red\nproperty double z\nproperty list uchar float w\nproperty float x\nproperty float y",
        rows=[f"200 {z} 2 0.5 0.5 {x} {y}" for x, y, z in TETRA],
    )
    assert volume(ascii_ply()) == volume(extra) == SIXTH
    assert volume(ascii_ply().replace("\n", "\r\n")) == SIXTH


def test_polygons_of_a_ply_are_fanned():
    cube = [[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    assert volume(ascii_ply(rows=[" ".join(map(str, p)) for p in cube], faces=quads)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("element vertex 4", "element vertex 999999"), "says 999999 rows of 'vertex' but only"),
        (("element face 4", "element face 5"), "rows of 'face' end early"),
        (("3 0 2 1", "3 0 2 9"), "a face asks for a vertex beyond the 4"),
        (("3 0 2 1", "3 0 2 -1"), "a face asks for a vertex beyond the 4"),
        (("3 0 2 1", "900 0 2 1"), "rows of 'face' end early"),
        (("0 0 0\n", "0 0 x\n"), "rows of 'vertex' end early or hold no numbers"),
        (("0 0 0\n", "0 0 1e999\n"), "not finite"),
        (("property float z\n", ""), "lack x, y or z"),
        (("vertex_indices", "colours"), "lack a list vertex_indices"),
        (("format ascii 1.0", "format ebcdic 1.0"), "'format ebcdic 1.0' is not understood"),
        (("format ascii 1.0\n", ""), "gives no format"),
        (("end_header", "header"), "does not end"),
        (("property float x", "property quaternion x"), "is not understood"),
    ],
)
def test_a_damaged_ply_is_refused_in_words(change, said):
    with pytest.raises(InputError, match=said):
        read(ascii_ply().replace(*change, 1))


def test_a_ply_of_points_alone_is_no_surface():
    with pytest.raises(InputError, match="no triangles"):
        read(ascii_ply(faces=[]))


# OBJ

OBJ = "\n".join(
    ["v {} {} {}".format(*p) for p in TETRA] + ["f {} {} {}".format(*(i + 1 for i in f)) for f in TETRA_FACES]
)


@pytest.mark.parametrize(
    "text",
    [
        OBJ, OBJ.replace("\n", "\r\n"), OBJ.replace("\n", "  # said here\n"), OBJ.replace("f 1 3 2", "f 1/5 3/6 2/7"),
        OBJ.replace("f 1 3 2", "f 1//5 3//6 2//7"), OBJ.replace("f 1 3 2", "f -4 -2 -3"), OBJ.replace("v 1 0 0", "v 1 \\\n0 0"),
        "# hello\nmtllib elsewhere.mtl\no x\ng y\ns 1\nvt 0 0\nvn 0 0 1\nusemtl z\n" + OBJ, OBJ.replace("v 1 0 0", "v 1 0 0 0.5 0.5 0.5"),
    ],
)  # fmt: skip
def test_obj_is_read_in_all_its_forms(text):
    file = read(text)
    assert (file.format, mesh.volume_mm3(file.surface)) == ("obj", SIXTH)


def test_polygons_of_an_obj_are_fanned():
    assert len(read("v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 4").surface.faces) == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("f 1 3 2", "f 1 3 9"), "line 5 asks for a vertex that is not there"),
        (("f 1 3 2", "f 1 3 0"), "line 5 asks for a vertex that is not there"),
        (("f 1 3 2", "f 1 3 -5"), "line 5 asks for a vertex that is not there"),
        (("f 1 3 2", "f 1 3"), "line 5 is no face"),
        (("f 1 3 2", "f 1 3 x"), "line 5 is no face"),
        (("v 1 0 0", "v 1 0"), "line 2 is no vertex"),
        (("v 1 0 0", "v 1 0 nan"), "line 2 is no vertex"),
        (("v 1 0 0", "v 1 0 1e400"), "not finite"),
    ],
)
def test_a_damaged_obj_is_refused_with_the_line(change, said):
    with pytest.raises(InputError, match=said):
        read(OBJ.replace(*change, 1))


def test_the_material_file_an_obj_names_is_never_opened(tmp_path, monkeypatch):
    (tmp_path / "x.obj").write_text("mtllib secret.mtl\n" + OBJ)
    opened = []
    real = type(tmp_path).open
    monkeypatch.setattr(
        type(tmp_path), "open", lambda self, *a, **k: (opened.append(self.name), real(self, *a, **k))[1]
    )
    read_mesh_file(tmp_path / "x.obj", name="x.obj", limits=LIMITS)
    assert opened == ["x.obj"]


# 3MF


def model_xml(unit="millimeter", resources=None, build='<item objectid="1"/>', head=""):
    points = "".join('<vertex x="{}" y="{}" z="{}"/>'.format(*p) for p in TETRA)
    faces = "".join('<triangle v1="{}" v2="{}" v3="{}"/>'.format(*f) for f in TETRA_FACES)
    body = (
        f'<object id="1" type="model"><mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh></object>'
    )
    return (
        f'<?xml version="1.0"?>{head}<model unit="{unit}" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">'
        f"<resources>{body if resources is None else resources.replace('BODY', body)}</resources><build>{build}</build></model>"
    )


def zipped(members, method=zipfile.ZIP_DEFLATED):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, text in members.items():
            archive.writestr(name, text)
    return out.getvalue()


def threemf(*args, **keywords):
    return zipped({"3D/3dmodel.model": model_xml(*args, **keywords)})


@pytest.mark.parametrize(
    ("unit", "short"),
    [("micron", "um"), ("millimeter", "mm"), ("centimeter", "cm"), ("inch", "in"), ("foot", "ft"), ("meter", "m")],
)
def test_a_3mf_gives_its_unit(unit, short):
    # Source: 3MF core specification, ST_Unit.
    assert read(threemf(unit)).unit == short


def test_objects_are_placed_by_their_transforms_and_components():
    nested = 'BODY<object id="2"><components><component objectid="1" transform="2 0 0 0 2 0 0 0 2 0 0 0"/></components></object>'
    build = '<item objectid="2" transform="1 0 0 0 1 0 0 0 1 10 20 30"/><item objectid="1"/>'
    surface = read(threemf(resources=nested, build=build)).surface
    assert mesh.volume_mm3(surface) == pytest.approx(8 / 6 + 1 / 6)
    assert mesh.bounds_mm(surface).tolist() == [[0, 0, 0], [12, 22, 32]]


def test_a_mirroring_transform_keeps_faces_outward():
    assert volume(threemf(build='<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>')) == SIXTH


def test_the_model_is_found_through_the_relations_of_the_package():
    relations = (
        '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
        'Target="/elsewhere/part.model" Id="a" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    assert volume(zipped({"_rels/.rels": relations, "elsewhere/part.model": model_xml()})) == SIXTH


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (zipped({"readme.txt": "hello"}), "has no part '/3D/3dmodel.model'"),
        (threemf(head='<!DOCTYPE m [<!ENTITY a "b">]>'), "document type declaration"),
        (threemf(head='<!DOCTYPE m SYSTEM "file:///etc/hostname">'), "document type declaration"),
        (threemf("furlong"), "unit is 'furlong'"),
        (threemf(build='<item objectid="7"/>'), "asks for object '7'"),
        (threemf(build='<item objectid="1" transform="1 2 3"/>'), "transform of 3 numbers"),
        (threemf(build=""), "no triangles"),
        (
            threemf(resources='<object id="1"><components><component objectid="1"/></components></object>'),
            "hold one another",
        ),
        (threemf()[:300], "damaged zip"),
        (zipped({"3D/3dmodel.model": model_xml()[:400]}), "line 1 is not a 3MF model's"),
        (zipped({"3D/3dmodel.model": model_xml().replace('x="1"', 'x="?"')}), "is not a 3MF model's"),
        (zipped({"3D/3dmodel.model": model_xml().replace('v3="1"', 'v3="77"')}), "not there"),
    ],
)
def test_a_damaged_3mf_is_refused_in_words(data, said):
    with pytest.raises(InputError, match=said):
        read(data)


def test_a_zip_bomb_stops_at_the_limit():
    bomb = zipped({"3D/3dmodel.model": b" " * (40 * 2**20)})
    assert len(bomb) < 2**17
    with pytest.raises(InputError, match=r"limits.unpacked_mib = 8\b.*KERFMARK_LIMIT_UNPACKED_MIB"):
        read(bomb, limits=Limits(unpacked_mib=8))


def test_objects_that_multiply_each_other_stop_at_a_limit():
    layers = "BODY" + "".join(
        f'<object id="{n + 1}"><components>' + f'<component objectid="{n}"/>' * 10 + "</components></object>"
        for n in range(1, 10)
    )
    with pytest.raises(InputError, match="more than"):
        read(threemf(resources=layers, build='<item objectid="10"/>'))


def test_too_many_members_are_refused():
    with pytest.raises(InputError, match=r"limits.zip_members = 3\b.*KERFMARK_LIMIT_ZIP_MEMBERS"):
        read(zipped({f"f{i}": "" for i in range(4)}), limits=Limits(zip_members=3))


# GLB


def glb(**changes):
    points = np.array(TETRA, dtype="<f4").tobytes()
    index = np.array(TETRA_FACES, dtype="<u2").tobytes()
    scene = {
        "asset": {"version": "2.0"}, "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [{"byteLength": len(points + index)}],
        "bufferViews": [{"buffer": 0, "byteLength": len(points)}, {"buffer": 0, "byteOffset": len(points), "byteLength": len(index)}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
                      {"bufferView": 1, "componentType": 5123, "count": 12, "type": "SCALAR"}],
    } | changes  # fmt: skip
    body = _chunk(json.dumps(scene).encode(), JSON_CHUNK) + _chunk(points + index, BIN_CHUNK)
    return b"glTF" + (2).to_bytes(4, "little") + (12 + len(body)).to_bytes(4, "little") + body


def test_a_glb_is_read_in_metres():
    file = read(glb())
    assert (file.unit, mesh.volume_mm3(file.surface)) == ("m", SIXTH)


def test_nodes_are_placed_one_inside_the_other():
    half_turn = {"rotation": [0, 0, 1, 0], "translation": [10, 0, 0], "scale": [2, 2, 2], "mesh": 0}
    nodes = [{"children": [1], "matrix": [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 5, 0, 1]}, half_turn]
    surface = read(glb(nodes=nodes, scenes=[{"nodes": [0]}], scene=0)).surface
    # Doubled, turned half about z (x → −x, y → −y), moved by 10 in x and 5 in y.
    np.testing.assert_allclose(mesh.bounds_mm(surface), [[8, 3, 0], [10, 5, 2]], atol=1e-6)
    assert mesh.volume_mm3(surface) == pytest.approx(8 / 6)


def test_a_mirrored_node_keeps_faces_outward():
    assert volume(glb(nodes=[{"mesh": 0, "scale": [-1, 1, 1]}])) == SIXTH


def test_strips_and_fans_become_triangles():
    for mode in (5, 6):
        primitive = {"attributes": {"POSITION": 0}, "mode": mode}
        assert len(read(glb(meshes=[{"primitives": [primitive]}])).surface.faces) == 2


VIEWS = [{"buffer": 0, "byteLength": 48}, {"buffer": 0, "byteOffset": 48, "byteLength": 24}]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (glb(buffers=[{"uri": "other.bin", "byteLength": 72}]), "another file, which is never followed"),
        (glb(extensionsRequired=["KHR_draco_mesh_compression"]), "needs KHR_draco_mesh_compression"),
        (glb(nodes=[{"children": [0]}], scenes=[{"nodes": [0]}]), "hold one another"),
        (glb(nodes=[{"mesh": 4}]), "asks for item 4 of 'meshes'"),
        (glb(nodes=[{"mesh": 0, "scale": [0, 1, 1]}]), "flattens"),
        (glb(accessors=[{"bufferView": 0, "componentType": 5126, "count": 10**9, "type": "VEC3"}] * 2), "has no room"),
        (glb(accessors=[{"bufferView": 0, "componentType": 5120, "count": 4, "type": "VEC3"}] * 2), "packed in a form"),
        (glb(bufferViews=[VIEWS[0], {"buffer": 0, "byteOffset": 0, "byteLength": 24}]), "beyond the 4"),
        (glb(meshes=[]), "asks for item 0"),
        (glb()[:-30], "bytes long"),
        (b"glTF" + b"\x01\0\0\0" + glb()[8:], "version 1"),
        (glb(nodes=[{"mesh": 0, "matrix": [1, 2]}]), "no sound GLB"),
    ],
)
def test_a_damaged_glb_is_refused_in_words(data, said):
    with pytest.raises(InputError, match=said):
        read(data)


# Any file


def test_content_decides_over_the_suffix_with_a_remark(valid_files):
    for name, data in valid_files.items():
        form = read(data, name).format
        (remark,) = read(data, "piece.stl" if form != "stl" else "piece.obj").remarks
        assert remark.code == "suffix-differs"
        assert form.upper() in remark.message


@pytest.mark.parametrize("data", [b"", b"hello world", b"\x89PNG\r\n\x1a\n" + bytes(200), b'{"asset": {}}', b"\0" * 83])
def test_what_is_no_mesh_file_is_refused_in_one_sentence(data):
    with pytest.raises(InputError, match="piece: is") as caught:
        read(data)
    assert "\n" not in str(caught.value)


def test_limits_are_named_with_their_value(valid_files):
    for data in valid_files.values():
        with pytest.raises(
            InputError,
            match=r"holds \d+ triangles, expected at most limits.triangles = 319\b.*KERFMARK_LIMIT_TRIANGLES",
        ):
            read(data, limits=Limits(triangles=319))
    with pytest.raises(InputError, match=r"limits.file_mib = 1\b.*KERFMARK_LIMIT_FILE_MIB"):
        read(b"v 0 0 0\n" * 200_000, limits=Limits(file_mib=1))


def test_a_file_beyond_the_limit_is_not_read_at_all(tmp_path):
    with (tmp_path / "x.stl").open("wb") as stream:
        stream.truncate(3 * 2**20)
    with pytest.raises(InputError, match=r"x\.stl: is 3 MiB, expected at most limits.file_mib = 2"):
        read_mesh_file(tmp_path / "x.stl", name="x.stl", limits=Limits(file_mib=2))


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    for path in (tmp_path / "none.stl", tmp_path):
        with pytest.raises(InputError, match="cannot be read"):
            read_mesh_file(path, name=path.name, limits=LIMITS)


def test_control_characters_of_a_name_are_shown_escaped():
    with pytest.raises(InputError) as caught:
        read(b"nothing", "a\x1b[31m.stl")
    assert "\x1b" not in str(caught.value)
