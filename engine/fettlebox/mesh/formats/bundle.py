"""A folder or zip that holds one mesh among its materials and textures. Nothing is unpacked to disk."""

from __future__ import annotations

import io
import os
import posixpath
import re
import stat
import zipfile
import zlib
from collections.abc import Callable, Collection
from pathlib import Path, PurePosixPath

from ...errors import ScanError
from .sniff import READABLE
from .source import ReadLimits, Source, shown

_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ENCRYPTED = 0x1
_LINK = 0o120000


def mesh_in_folder(
    folder: Path, limits: ReadLimits, wanted: str | None = None, endings: Collection[str] = READABLE
) -> Path:
    """The one mesh file in a folder or below it, or the one that is wanted. Links are not followed."""

    def is_mesh(file: Path) -> bool:
        return _is_mesh(file.relative_to(folder).as_posix(), endings) and not file.is_symlink()

    meshes: list[Path] = []
    seen = 0
    for root, folders, files in os.walk(folder):
        folders.sort()
        seen += len(files) + len(folders)
        if seen > limits.zip_members:
            raise ScanError(f"{folder.name}: found over {limits.zip_members} files; expected one scan")
        files_here = [Path(root) / name for name in sorted(files)]
        meshes += filter(is_mesh, files_here)
    names = [f.relative_to(folder).as_posix() for f in meshes]
    return meshes[names.index(_the_one(folder.name, names, "this folder", wanted))]


def beside_in_folder(folder: Path, mesh: Path, limits: ReadLimits) -> Callable[[str], bytes | None]:
    """Gives the bytes of what lies in the same folder as a mesh, or below. Links are not followed."""
    files: dict[str, Path] = {}
    for root, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            path = Path(root) / name
            files[path.relative_to(folder).as_posix()] = path
    home = mesh.relative_to(folder).parent.as_posix()

    def read(name: str) -> bytes | None:
        found = _meant(name, home, list(files))
        if found is None:
            return None
        # A link, or a pipe that has been put there, is neither followed nor waited for.
        handle = os.open(files[found], os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as stream:
            details = os.fstat(handle)
            if not stat.S_ISREG(details.st_mode) or details.st_size > limits.texture_bytes:
                raise ScanError(f"found no file of at most {limits.texture_bytes} bytes")
            return stream.read(limits.texture_bytes)

    return read


def _beside_in_zip(source: Source, archive: zipfile.ZipFile, mesh: str) -> Callable[[str], bytes | None]:
    home = PurePosixPath(mesh.replace("\\", "/")).parent.as_posix()
    names = {member.replace("\\", "/"): member for member in archive.namelist() if not member.endswith("/")}

    def read(name: str) -> bytes | None:
        found = _meant(name, home, list(names))
        if found is None:
            return None
        if archive.getinfo(names[found]).file_size > source.limits.texture_bytes:
            raise ScanError(f"found more than {source.limits.texture_bytes} bytes")
        return unpacked(source, archive, names[found])

    return read


def _meant(name: str, home: str, there: list[str]) -> str | None:
    """Which of the files that are there a mesh in the folder `home` means by a name.

    The place it gives, in any case of letters, else the one file that is called so: names are often those of
    another computer. Whatever it is, it is one of `there`.
    """
    plain = name.replace("\\", "/")
    wanted = posixpath.normpath(posixpath.join(home, plain)).lower()
    exact = [path for path in there if path.lower() == wanted]
    last = posixpath.basename(plain).lower()
    alike = exact or [path for path in there if last and posixpath.basename(path).lower() == last]
    return alike[0] if len(alike) == 1 or exact else None


def mesh_in_zip(source: Source, wanted: str | None = None, endings: Collection[str] = READABLE) -> Source:
    """The one mesh in a zip, or the one of the name that is wanted, unpacked within the limits."""
    archive = open_zip(source)
    meshes = [name for name in archive.namelist() if _is_mesh(name, endings)]
    mesh = _the_one(source.name, meshes, "this zip", wanted)
    beside = _beside_in_zip(source, archive, mesh)
    return Source(f"{source.name}/{mesh}", unpacked(source, archive, mesh), source.limits, beside)


def is_3mf(source: Source) -> bool:
    """Whether a zip is a package in the sense of the Open Packaging Conventions, with a model in it."""
    try:
        names = open_zip(source).namelist()
    except ScanError:
        return source.name.lower().endswith(".3mf")
    return "_rels/.rels" in names and any(name.lower().endswith(".model") for name in names)


def open_zip(source: Source) -> zipfile.ZipFile:
    """A zip whose directory was looked over: names that stay inside, sizes and ratios in bounds."""
    limits = source.limits
    try:
        archive = zipfile.ZipFile(io.BytesIO(source.data))
    except (zipfile.BadZipFile, ValueError, NotImplementedError, EOFError, OverflowError) as error:
        source.fail("the zip directory", shown(str(error)), "a zip file")
    members = archive.infolist()
    if len(members) > limits.zip_members:
        source.fail("the zip directory", f"{len(members)} entries", f"at most {limits.zip_members}")
    names = set()
    total = 0
    for member in members:
        place = f"entry {shown(member.filename)}"
        if not _is_safe(member.filename):
            source.fail(place, "a name that leads outside", "a plain relative name")
        if member.filename in names:
            source.fail(place, "the same name twice", "each name once")
        if (member.external_attr >> 16) & 0o170000 == _LINK:
            source.fail(place, "a link", "a plain file")
        names.add(member.filename)
        total += member.file_size
        if total > limits.unpacked_bytes:
            source.fail(place, f"{total} bytes to unpack", f"at most {limits.unpacked_bytes}")
        if member.file_size > limits.zip_ratio * max(member.compress_size, 64):
            source.fail(place, "an implausible ratio of unpacking", f"at most {limits.zip_ratio:g} to 1")
    return archive


def unpacked(source: Source, archive: zipfile.ZipFile, name: str) -> bytes:
    """The bytes of one member; never more of them than its directory entry announced."""
    member = archive.getinfo(name)
    place = f"entry {shown(name)}"
    if member.flag_bits & _ENCRYPTED or member.compress_type not in _METHODS:
        source.fail(place, "an encrypted or unusual packing", "stored or deflated data")
    try:
        with archive.open(member) as stream:
            data = stream.read(member.file_size + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError, OSError) as error:
        source.fail(place, shown(str(error) or "damaged data"), "intact packed data")
    if len(data) != member.file_size:
        source.fail(place, f"{len(data)} bytes", f"{member.file_size} as its directory says")
    if not data:
        source.fail(place, "no bytes", "a mesh")
    return data


def _is_mesh(name: str, endings: Collection[str]) -> bool:
    path = PurePosixPath(name.replace("\\", "/"))
    hidden = any(part.startswith(".") or part == "__MACOSX" for part in path.parts)
    return not hidden and not name.endswith("/") and path.suffix.lower() in endings


def _is_safe(name: str) -> bool:
    """Relative, downward, without a drive or control characters."""
    plain = name.replace("\\", "/")  # some packers write names as Windows does
    if not plain or plain.startswith("/") or re.search(r"[\x00-\x1f:]", plain):
        return False
    return ".." not in PurePosixPath(plain).parts


def _the_one(name: str, meshes: list[str], where: str, wanted: str | None) -> str:
    if wanted in meshes:
        return wanted
    if wanted is not None:
        raise ScanError(f"{name}: found no mesh {shown(wanted)} in {where}, as the ticket names it")
    if len(meshes) == 1:
        return meshes[0]
    if not meshes:
        raise ScanError(f"{name}: found no mesh in {where}; expected exactly one")
    listed = ", ".join(shown(mesh) for mesh in meshes[:5]) + (" and more" if len(meshes) > 5 else "")
    raise ScanError(f"{name}: found {len(meshes)} meshes in {where}, {listed}; expected exactly one")
