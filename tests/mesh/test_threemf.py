"""3MF against the Core Specification 1.4.0 and the consortium's own library, read in strict mode."""

from __future__ import annotations

import io
import itertools
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import trimesh
from fettlebox.errors import UsageError
from fettlebox.mesh import Part, read_scan, write_part, write_parts_together

lib3mf = pytest.importorskip("lib3mf")
CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
ABOUT = {
    "Title": 'A <bust> & "more"\x00\n',
    "Application": "Fettlebox",
    "order number": "]]>&amp;",
    "Rating": "",
}


@pytest.fixture(scope="module")
def ball() -> trimesh.Trimesh:
    return trimesh.creation.icosphere(3, radius=17.3)


def consortium_reads(path: Path):  # type: ignore[no-untyped-def]
    """The model as lib3mf reads it in strict mode; fails on any warning."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert [reader.GetWarning(k) for k in range(reader.GetWarningCount())] == []
    return model


def arrays(mesh: object) -> tuple[np.ndarray, np.ndarray]:
    vertices = np.array([list(v.Coordinates) for v in mesh.GetVertices()])  # type: ignore[attr-defined]
    faces = np.array([list(t.Indices) for t in mesh.GetTriangleIndices()])  # type: ignore[attr-defined]
    return vertices, faces


@pytest.mark.parametrize("coloured", [False, True])
def test_the_consortiums_library_reads_what_we_write(
    tmp_path: Path, ball: trimesh.Trimesh, coloured: bool
) -> None:
    rng = np.random.default_rng(4)
    colours = rng.integers(0, 256, (len(ball.vertices), 4)).astype(np.uint8) if coloured else None
    part = Part(ball.vertices + np.array([0.1, -1e-9, 1000 / 3]), ball.faces, colours)
    path = tmp_path / "ball.3mf"
    write_part(part, path, ABOUT)
    model = consortium_reads(path)
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    meshes = model.GetMeshObjects()
    assert meshes.Count() == 1 and meshes.MoveNext()
    mesh = meshes.GetCurrentMeshObject()
    assert mesh.IsValid() and mesh.IsManifoldAndOriented()
    vertices, faces = arrays(mesh)
    assert np.array_equal(vertices.astype(np.float32), part.vertices.astype(np.float32))
    assert np.array_equal(faces, part.faces)
    items = model.GetBuildItems()
    assert items.Count() == 1
    metadata = model.GetMetaDataGroup()
    found = {
        (m.GetNameSpace(), m.GetName()): m.GetValue()
        for m in (metadata.GetMetaData(k) for k in range(metadata.GetMetaDataCount()))
    }
    assert found[("", "Title")] == 'A <bust> & "more"'
    assert found[("urn:fettlebox:about", "order_number")] == "]]>&amp;"
    if coloured:
        groups = model.GetColorGroups()
        assert groups.MoveNext()
        group = groups.GetCurrentColorGroup()
        for number in range(0, len(faces), 37):
            shading = mesh.GetTriangleProperties(number)
            for corner in range(3):
                colour = group.GetColor(shading.PropertyIDs[corner])
                assert colours is not None
                shown = [colour.Red, colour.Green, colour.Blue, colour.Alpha]
                assert shown == colours[faces[number, corner]].tolist()
    again = read_scan(path)
    assert again.origin.unit_mm == 1.0
    assert np.array_equal(again.part.vertices.astype(np.float32), part.vertices.astype(np.float32))
    assert np.array_equal(again.part.faces, part.faces)
    assert (again.part.colours is None) == (colours is None)
    if colours is not None:
        assert np.array_equal(again.part.colours, colours)  # type: ignore[arg-type]


def test_the_package_is_what_core_1_4_asks_for(tmp_path: Path, ball: trimesh.Trimesh) -> None:
    path = tmp_path / "ball.3mf"
    write_part(Part(ball.vertices, ball.faces), path, ABOUT)
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
        assert all(entry.date_time == (1980, 1, 1, 0, 0, 0) for entry in archive.infolist())
        types = ElementTree.fromstring(archive.read("[Content_Types].xml"))
        relations = ElementTree.fromstring(archive.read("_rels/.rels"))
        model = ElementTree.fromstring(archive.read("3D/3dmodel.model"))
    # Core 1.4.0, appendix C: media types and the StartPart relationship
    assert {t.get("Extension"): t.get("ContentType") for t in types} == {
        "rels": "application/vnd.openxmlformats-package.relationships+xml",
        "model": "application/vnd.ms-package.3dmanufacturing-3dmodel+xml",
    }
    (relation,) = relations
    assert relation.get("Target") == "/3D/3dmodel.model"
    assert relation.get("Type") == "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    assert model.tag == f"{CORE}model" and model.get("unit") == "millimeter"
    names = [entry.get("name") for entry in model.iter(f"{CORE}metadata")]
    assert names == ["Title", "Application", "about:order_number", "Rating"]  # 3.4.1: others are prefixed
    for triangle in model.iter(f"{CORE}triangle"):  # 4.1.4: three distinct vertices
        assert len({triangle.get("v1"), triangle.get("v2"), triangle.get("v3")}) == 3
    (item,) = model.iter(f"{CORE}item")
    (thing,) = model.iter(f"{CORE}object")
    assert item.get("objectid") == thing.get("id")


def test_units_components_and_transforms_of_another_writer(tmp_path: Path) -> None:
    """Boxes written by lib3mf: one placed by a build item, two through components, one mirrored."""
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.Inch)
    box = trimesh.creation.box((2, 3, 5))
    mesh = model.AddMeshObject()
    for v in box.vertices:
        mesh.AddVertex(lib3mf.Position(tuple(float(c) for c in v)))
    for f in box.faces:
        mesh.AddTriangle(lib3mf.Triangle(tuple(int(i) for i in f)))
    group = model.AddComponentsObject()
    group.AddComponent(mesh, moved(wrapper, (1, 1, 1), (10, 0, 0)))
    group.AddComponent(mesh, moved(wrapper, (-1, 1, 1), (0, 10, 0)))
    model.AddBuildItem(mesh, moved(wrapper, (2, 1, 1), (0, 0, 100)))
    model.AddBuildItem(group, moved(wrapper, (1, 1, 1), (0, 0, -50)))
    path = tmp_path / "boxes.3mf"
    model.QueryWriter("3mf").WriteToFile(str(path))
    scan = read_scan(path)
    assert scan.origin.unit_mm == 25.4
    assert scan.origin.up is None
    bodies = trimesh.Trimesh(scan.part.vertices, scan.part.faces, process=False).split()
    places = sorted((tuple(b.bounds.mean(axis=0).round(6)), round(b.volume, 6)) for b in bodies)
    assert places == [((0, 0, 100), 60), ((0, 10, -50), 30), ((10, 0, -50), 30)]


def moved(wrapper, scale, shift):  # type: ignore[no-untyped-def]
    matrix = wrapper.GetTranslationTransform(*map(float, shift))
    for axis, factor in enumerate(scale):
        matrix.Fields[axis][axis] = float(factor)
    return matrix


def test_another_readers_and_writers_agree(tmp_path: Path, ball: trimesh.Trimesh) -> None:
    ours, theirs = tmp_path / "ours.3mf", tmp_path / "theirs.3mf"
    write_part(Part(ball.vertices, ball.faces), ours)
    other = trimesh.load(ours, force="mesh", process=False)
    assert len(other.faces) == len(ball.faces) and other.is_watertight
    assert np.isclose(other.volume, ball.volume)
    ball.export(theirs)
    part = read_scan(theirs).part
    assert np.allclose(part.vertices, ball.vertices, atol=1e-6)
    assert np.array_equal(part.faces, ball.faces)


def test_an_unusual_list_is_read_the_slow_way_with_the_same_result(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(2)
    plain, odd = tmp_path / "plain.3mf", tmp_path / "odd.3mf"
    write_part(Part(ball.vertices, ball.faces), plain)
    out = io.BytesIO()
    with zipfile.ZipFile(plain) as archive, zipfile.ZipFile(out, "w") as changed:
        for name in archive.namelist():
            text = archive.read(name)
            if name.endswith(".model"):
                text = text.replace(b"<vertices>", b"<vertices><!-- a comment -->")
                text = text.replace(b'<triangle v1="', b'<triangle  paint="4C"\tv1="&#48;')
            changed.writestr(name, text)
    odd.write_bytes(out.getvalue())
    a, b = read_scan(plain), read_scan(odd)
    assert np.array_equal(a.part.vertices, b.part.vertices)
    assert np.array_equal(a.part.faces, b.part.faces)


def test_several_parts_are_objects_of_their_own_side_by_side(ball: trimesh.Trimesh, tmp_path: Path) -> None:
    colours = np.random.default_rng(4).integers(0, 255, (len(ball.vertices), 4)).astype(np.uint8)
    plain = Part(np.array(ball.vertices), np.array(ball.faces, np.int32))
    parts = {
        "piece 1": plain,
        "piece <2>": Part(plain.vertices, plain.faces, colours),
        "plug 1": plain.scaled(0.1),
    }
    write_parts_together(parts, tmp_path / "all.3mf", ABOUT)
    model = consortium_reads(tmp_path / "all.3mf")
    items = model.GetBuildItems()
    names, boxes = [], []
    while items.MoveNext():
        item = items.GetCurrent()
        names.append(item.GetObjectResource().GetName())
        low = np.array(item.GetObjectTransform().Fields[3])
        boxes.append((low + parts[names[-1]].bounds[0], low + parts[names[-1]].bounds[1]))
    assert names == list(parts)
    assert min(box[0].min() for box in boxes) >= -1e-5  # Core 1.4.0, section 3.4.3.1
    for one, next_one in itertools.pairwise(boxes):
        assert next_one[0][0] - one[1][0] == pytest.approx(10.0, abs=1e-4)
    with pytest.raises(UsageError, match="holds one part"):
        write_parts_together(parts, tmp_path / "all.stl")
