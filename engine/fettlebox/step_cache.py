"""Results of steps, kept by what they were made from, so that a change in the eighth redoes no seventh.

The key is a digest of everything a step may look at: the part and the reference that came in, its
parameters, the printer, the scan's origin, the job's seed, the code of its package, the versions of the
libraries and the kind of the processor below it. A hit is the same result, as far as these
decide it: of two processors of one kind, nobody has proven it. Entries are parts of customers' scans: the
folder is readable by its owner only, bounded in size, and may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import sys
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from .api import Step, StepContext, StepResult
from .mesh import Part, Plane
from .own_steps import SHA256
from .processor import processor_here
from .versions import versions_here

KEPT = ".kept-steps"
"""How a folder of results beside what `try` and `run` make is called."""
KEPT_FOR_S = 14 * 86_400.0
"""A kept step is a customer's scan: no longer than tuning a recipe takes, or an order."""
FORMAT = 3
BUILDING = ".building"
IDLE_S = 3600.0  # no job waits so long between being given its folder and keeping its first step
DAMAGED = (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile)


class StepCache:
    """A folder of results. Safe to share between processes: an entry appears whole, in one rename."""

    def __init__(self, folder: Path, most_bytes: int = 4_000_000_000) -> None:
        self.folder = folder
        self.most_bytes = most_bytes
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)

    def get(self, key: str) -> StepResult | None:
        """The kept result, or None. An entry that cannot be read is thrown away."""
        path = self._path(key)
        try:
            with np.load(path, allow_pickle=False) as stored:
                result = _unpack({name: stored[name] for name in stored.files})
        except FileNotFoundError:
            return None
        except DAMAGED:
            _gone(path)
            return None
        with contextlib.suppress(OSError):  # another account's, or a disk that is only read: as good
            os.utime(path)
        return result

    def put(self, key: str, result: StepResult) -> None:
        """Keep a result; the ones unused for longest make room. A full disk keeps nothing, harmlessly."""
        path = self._path(key)
        building = path.with_name(f".{secrets.token_hex(8)}{BUILDING}")
        try:
            with building.open("xb") as stream:
                np.savez(stream, allow_pickle=False, **_pack(result))
            building.replace(path)
        except OSError:
            _gone(building)
            return
        self._make_room()

    def sweep(self, unused_s: float, now: float) -> int:
        """Throw away what was not used for so long; `now` as from `time.time`. Gives how many went."""
        gone = 0
        for path in self.folder.glob("*.npz"):
            try:
                if path.stat().st_mtime < now - unused_s:
                    path.unlink()
                    gone += 1
            except OSError:
                continue  # another process was faster
        return gone

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.npz"

    def _make_room(self) -> None:
        entries = []
        for path in self.folder.glob("*.npz"):
            try:
                found = path.stat()
            except OSError:
                continue  # another process made room first
            entries.append((found.st_mtime_ns, found.st_size, path))
        total = sum(size for _, size, _ in entries)
        for _, size, path in sorted(entries):
            if total <= self.most_bytes:
                return
            total -= size if _gone(path) else 0


def make_room(folder: Path, most_bytes: float, unused_s: float, now: float) -> None:
    """Bound what several caches in a folder hold together: what is unused for `unused_s` goes, and what a
    job that was killed left half-written, then the unused for longest until the rest fits, then folders that
    are empty.
    """
    entries = []
    for path in (*folder.glob("*/*.npz"), *folder.glob(f"*/.*{BUILDING}")):
        with contextlib.suppress(OSError):  # its job or a decision of the desk was faster
            found = path.stat()
            entries.append((found.st_mtime, found.st_size, path))
    total = sum(size for _, size, _ in entries)
    for used, size, path in sorted(entries):
        torn = path.name.endswith(BUILDING)
        if torn and used >= now - IDLE_S:
            continue  # somebody may be writing it
        if torn or total > most_bytes or used < now - unused_s:
            total -= size if _gone(path) else 0
    for place in folder.iterdir() if folder.is_dir() else ():
        with contextlib.suppress(OSError):
            if place.stat().st_mtime < now - IDLE_S:
                place.rmdir()  # refuses what is not empty


def _gone(path: Path) -> bool:
    """Delete a file; what cannot be deleted now, on a disk of another machine say, is for another time."""
    try:
        path.unlink()
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return True


def step_key(
    step: Step[Any], params_as_written: Mapping[str, Any], part: Part, ctx: StepContext, seed: str
) -> str:
    """What a step's result depends on, as one digest."""
    told = {
        "format": FORMAT,
        "step": [step.name, step.version, code_digest(step.run.__module__.partition(".")[0])],
        "params": dict(params_as_written),
        "part": part.digest(),
        "reference": ctx.reference.digest(),
        "origin": asdict(ctx.origin),
        "printer": asdict(ctx.printer),
        "made": [[name, one.digest()] for name, one in (*ctx.pieces.items(), *ctx.extras.items())],
        "answers": dict(getattr(ctx, "answers", {})),
        "seed": seed,
        "versions": versions_here() | {"processor": processor_here()},
    }
    return hashlib.sha256(json.dumps(told, sort_keys=True, default=_as_json).encode()).hexdigest()


@cache
def code_digest(package: str) -> str:
    """SHA-256 of a top-level package's source files: a step whose code changed is another step."""
    module = sys.modules.get(package)
    if (made_of := getattr(module, SHA256, None)) is not None:
        return str(made_of)
    folders = getattr(module, "__path__", None)
    return source_digest(folders or (), None if folders else getattr(module, "__file__", None))


def source_digest(folders: Iterable[str], file: str | None) -> str:
    """SHA-256 of all Python files below folders, each with its name, and of one file."""
    sha = hashlib.sha256()
    for folder in sorted(map(str, folders)):
        for path in sorted(Path(folder).rglob("*.py")):
            sha.update(f"{path.relative_to(folder)}\0".encode() + path.read_bytes())
    if file:
        sha.update(Path(file).read_bytes())
    return sha.hexdigest()


def _pack(result: StepResult) -> dict[str, Any]:
    told: dict[str, Any] = {
        "facts": dict(result.facts),
        "warnings": list(result.warnings),
        "evidence": dict(result.evidence),
        "pictures": list(result.pictures),
        "part": _words(result.part),
        "reference": _words(result.reference) if result.reference is not None else None,
    }
    arrays = {f"part_{name}": value for name, value in _arrays(result.part).items()}
    if result.reference is not None:
        arrays |= {f"reference_{name}": value for name, value in _arrays(result.reference).items()}
    for kind, made in (("piece", result.pieces), ("extra", result.extras)):
        told[f"{kind}s"] = [[name, _words(one)] for name, one in made.items()]
        for i, one in enumerate(made.values()):
            arrays |= {f"{kind}_{i}_{name}": value for name, value in _arrays(one).items()}
    arrays |= {f"picture_{i}": np.frombuffer(png, np.uint8) for i, png in enumerate(result.pictures.values())}
    return {**arrays, "told": np.frombuffer(json.dumps(told, default=_as_json).encode(), np.uint8)}


def _unpack(stored: dict[str, Any]) -> StepResult:
    told = json.loads(stored["told"].tobytes())
    return StepResult(
        part=_part(stored, "part", told["part"]),
        facts=told["facts"],
        warnings=tuple(told["warnings"]),
        evidence=told["evidence"],
        reference=_part(stored, "reference", told["reference"]) if told["reference"] else None,
        pictures={name: stored[f"picture_{i}"].tobytes() for i, name in enumerate(told["pictures"])},
        pieces={name: _part(stored, f"piece_{i}", words) for i, (name, words) in enumerate(told["pieces"])},
        extras={name: _part(stored, f"extra_{i}", words) for i, (name, words) in enumerate(told["extras"])},
    )


def _as_json(value: Any) -> Any:
    """Numpy's numbers and arrays as JSON has them; nothing is rounded."""
    return value.tolist() if hasattr(value, "tolist") else str(value)


def _arrays(part: Part) -> dict[str, Any]:
    arrays = {"vertices": part.vertices, "faces": part.faces, "placement": part.placement}
    return arrays if part.colours is None else {**arrays, "colours": part.colours}


def _words(part: Part) -> dict[str, Any]:
    # repr of a float is the shortest text that reads back as the same float, and so is its JSON.
    return {"life_scale": part.life_scale, "planes": [asdict(plane) for plane in part.planes]}


def _part(stored: dict[str, Any], name: str, words: dict[str, Any]) -> Part:
    planes = tuple(
        Plane(**{**plane, "point": tuple(plane["point"]), "normal": tuple(plane["normal"])})
        for plane in words["planes"]
    )
    return Part(
        stored[f"{name}_vertices"],
        stored[f"{name}_faces"],
        stored.get(f"{name}_colours"),
        stored[f"{name}_placement"],
        words["life_scale"],
        planes,
    )
