"""Coverage-guided fuzzing of the readers, the recipe checker and the ticket reader, by hand for some minutes:

    pip install atheris
    cp -r tests/fuzz/found /tmp/corpus
    python tests/fuzz/fuzz_readers.py -max_total_time=600 -max_len=4096 -timeout=20 /tmp/corpus

What it finds (it writes `crash-…`) goes into `found/`, named after what is wrong with it: test_found.py reads
all of them in every run.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from fettlebox.errors import RecipeError, ScanError
from fettlebox.mesh import ReadLimits, read_scan
from fettlebox.recipe import parse_recipe, parse_ticket

KINDS = (".stl", ".ply", ".obj", ".off", ".3mf", ".glb", ".gltf", ".zip", ".ticket", ".recipe")
"""The first byte of the input, modulo their number, says what the rest is."""
SMALL = ReadLimits(unpacked_bytes=1_000_000, triangles=10_000, vertices=10_000)


def survive(data: bytes, folder: Path) -> None:
    """Read what the bytes are. Anything but success and our own errors is a finding and is raised."""
    if not data:
        return
    kind, rest = KINDS[data[0] % len(KINDS)], data[1:]
    if kind in (".ticket", ".recipe"):
        text = rest.decode("utf-8", "replace")
        try:
            if kind == ".ticket":
                parse_ticket(text, "t.yaml")
            else:
                parse_recipe(text, "r.yaml", catalog())
        except RecipeError as error:
            assert all(line.isprintable() for line in str(error).split("\n"))
        return
    path = folder / f"scan{kind}"
    path.write_bytes(rest)
    try:
        scan = read_scan(path, SMALL)
    except ScanError as error:
        assert "\n" not in str(error)
        return
    assert len(scan.part.faces)


def catalog():  # type: ignore[no-untyped-def]
    from fettlebox.catalog import find_steps

    if not hasattr(catalog, "made"):
        catalog.made = find_steps()  # type: ignore[attr-defined]
    return catalog.made  # type: ignore[attr-defined]


def main() -> None:
    import atheris

    with atheris.instrument_imports(include=["fettlebox"], enable_loader_override=False):
        for name in [name for name in sys.modules if name.startswith("fettlebox")]:
            del sys.modules[name]  # read again, so that their branches are counted
        import fettlebox.mesh
        import fettlebox.mesh.reading
        import fettlebox.recipe
    globals().update(
        read_scan=fettlebox.mesh.read_scan,
        ScanError=sys.modules["fettlebox.errors"].ScanError,
        RecipeError=sys.modules["fettlebox.errors"].RecipeError,
        parse_recipe=fettlebox.recipe.parse_recipe,
        parse_ticket=fettlebox.recipe.parse_ticket,
        SMALL=fettlebox.mesh.ReadLimits(unpacked_bytes=1_000_000, triangles=10_000, vertices=10_000),
    )
    folder = Path(
        tempfile.mkdtemp(prefix="fettlebox-fuzz-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
    )
    atheris.Setup(sys.argv, lambda data: survive(data, folder))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
