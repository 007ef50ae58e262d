"""Steps of a shop's own: files named in shop.yaml with their SHA-256, and no others.

The bytes that are hashed are the bytes that run: a file is read once, by whoever reads shop.yaml, and travels
to workers with the job. Nothing else in a shop's folder is ever code.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import stat
import subprocess
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path, PurePosixPath
from types import ModuleType

from .catalog import Catalog, Quarantined, find_steps, with_plugin
from .errors import UsageError

LARGEST_BYTES = 1_000_000
LONGEST_TRIAL_S = 60.0
VERSION = "own step "
"""Begins the names of their digests among the versions that a record holds."""
SHA256 = "fettlebox_sha256"
"""A module that was made from bytes says by this name which they were."""


@dataclass(frozen=True)
class OwnStep:
    """file: below the shop's folder, with `/`. code: its bytes, of which `sha256` is the digest."""

    file: str
    sha256: str
    code: bytes = field(repr=False)

    @property
    def module(self) -> str:
        """Two versions of a file are two modules, so that a reload takes effect."""
        return f"own_{PurePosixPath(self.file).stem.replace('-', '_')}_{self.sha256[:12]}"


def read_own_step(shop: Path, file: str) -> OwnStep:
    """Read a file once. Raises UsageError for what is no plain file inside the shop's folder."""
    pure = PurePosixPath(file)
    if pure.is_absolute() or ".." in pure.parts or "\\" in file or pure.suffix != ".py":
        raise UsageError(f"{file!r} cannot be a step's file; expected a .py file below the shop's folder")
    path = shop.joinpath(*pure.parts)
    if os.path.realpath(path) != str(Path(os.path.realpath(shop)).joinpath(*pure.parts)):
        raise UsageError(f"{file} is a link or lies behind one; expected the file itself")
    try:
        with open(path, "rb", opener=_as_itself) as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                raise UsageError(f"{file} is no plain file")
            code = stream.read(LARGEST_BYTES + 1)
    except IsADirectoryError as error:
        raise UsageError(f"{file} is no plain file") from error
    except OSError as error:
        raise UsageError(f"{file} cannot be read: {error.strerror}") from error
    if len(code) > LARGEST_BYTES:
        raise UsageError(f"{file} has more than {LARGEST_BYTES} bytes; expected a step, not a program")
    return OwnStep(file, hashlib.sha256(code).hexdigest(), code)


def _as_itself(path: str, flags: int) -> int:
    """Opened without following a link that came since, and without waiting for a pipe's other end."""
    return os.open(path, flags | os.O_NOFOLLOW | os.O_NONBLOCK)


def with_own_steps(catalog: Catalog, own: Sequence[OwnStep]) -> Catalog:
    """The catalog and what the files register. One that fails, or takes a name in use, is set aside."""
    for one in own:
        catalog = with_plugin(catalog, one.file, PurePosixPath(one.file).stem, partial(_run, one))
    return catalog


def left_out(catalog: Catalog, files: Iterable[str], why: str) -> Catalog:
    """The catalog without what the files register: their code is not run; who misses a step is told why."""
    stems = {PurePosixPath(file).stem: file for file in files}
    aside = {stem: Quarantined(stem, file, why) for stem, file in stems.items()}
    return replace(catalog, quarantined=aside | catalog.quarantined)


def require_usable(own: Sequence[OwnStep]) -> None:
    """Raises UsageError with the reasons if a file would be set aside. They are tried in a process of their
    own: what runs there is nothing to the server.
    """
    if not own:
        return
    try:
        tried = subprocess.run(
            [sys.executable, "-m", __name__], input=pickle.dumps(tuple(own)), capture_output=True,
            timeout=LONGEST_TRIAL_S, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        files = ", ".join(one.file for one in own)
        raise UsageError(
            f"loading the shop's own steps ({files}) takes longer than {LONGEST_TRIAL_S:g} s; expected "
            "definitions, and the work inside the step's function"
        ) from None
    if tried.returncode:
        said = tried.stdout.decode("utf-8", "replace").strip() or "loading them ended the process"
        raise UsageError(
            f"the shop's own steps cannot be used: {said}. Mend the file, or take it out of shop.yaml"
        )


def main() -> int:
    """Print why steps on the standard input, a pickled tuple, would be set aside; status 1 then."""
    own = pickle.load(sys.stdin.buffer)  # from `require_usable`, our own process
    files = {one.file for one in own}
    bad = [one for one in with_own_steps(find_steps(), own).quarantined.values() if one.source in files]
    print("; ".join(f"{one.source}: {one.reason}" for one in bad))
    return 1 if bad else 0


def _run(own: OwnStep) -> ModuleType:
    """The module of the bytes. Python has each module once; what failed may be tried again."""
    known = sys.modules.get(own.module)
    if known is not None:
        return known
    module = ModuleType(own.module)
    module.__file__ = own.file
    setattr(module, SHA256, own.sha256)
    sys.modules[own.module] = module  # dataclasses and pydantic look their own module up
    try:
        exec(compile(own.code, own.file, "exec", dont_inherit=True), module.__dict__)
    except BaseException:
        del sys.modules[own.module]
        raise
    return module


if __name__ == "__main__":
    sys.exit(main())
