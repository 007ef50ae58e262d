"""What a recipe delivers: parts, as they are at the end or after a step; pictures; all of it in one zip."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from .mesh import SEVERAL, Part, write_part, write_parts_together
from .mesh.soundness import inspect
from .mesh.writing import put_in_place, tame
from .recipe import Plan
from .recipe.language import PICTURES, ZIP, Delivery
from .traveler.record import Output

NO_TIME = (1980, 1, 1, 0, 0, 0)
"""The earliest time that a zip can state, so that the same files give the same bytes."""


Writers = Mapping[str, Callable[[Part, Mapping[str, str]], bytes]]


@dataclass(frozen=True)
class Goods:
    """What is printed of a part: itself or the pieces it was cut into; extras beside it, such as plugs."""

    part: Part
    pieces: Mapping[str, Part] = field(default_factory=dict)
    extras: Mapping[str, Part] = field(default_factory=dict)

    def named(self) -> dict[str, Part]:
        """Everything, by name; the part itself is called ""."""
        return {**(self.pieces or {"": self.part}), **self.extras}


def steps_to_keep(plan: Plan) -> dict[str, str | None]:
    """For each step whose part is delivered, the step that makes it: the last enabled one up to there. None
    stands for the scan as it was read.
    """
    wanted = {one.after for one in plan.deliver if one.after is not None}
    makers: dict[str, str | None] = {}
    maker = None
    for planned in plan.steps:
        maker = planned.id if planned.enabled else maker
        if planned.id in wanted:
            makers[planned.id] = maker
    return makers


def reasons_against(deliveries: Sequence[Delivery], goods: Goods, after: Mapping[str, Goods]) -> str | None:
    """Why the parts may not be delivered; None if every one of them, and every piece, is a sound solid."""
    said = []
    for name in dict.fromkeys(one.after for one in deliveries if one.format not in (PICTURES, ZIP)):
        for piece, part in (goods if name is None else after[name]).named().items():
            witness = inspect(part)
            if not witness.sound:
                which = piece or "the part"
                which = which if name is None else f"{which} after {name}, which is to be delivered,"
                said.append(f"{which} is not a sound solid: {'; '.join(witness.reasons)}")
    return "; ".join(said) or None


def write_parts(
    folder: Path,
    stem: str,
    about: Mapping[str, str],
    deliveries: Sequence[Delivery],
    goods: Goods,
    after: Mapping[str, Goods],
    more: Writers = MappingProxyType({}),
) -> tuple[Output, ...]:
    """`STEM.3mf` for the finished part, `STEM.repair.3mf` for the one after the step `repair`.

    `more` writes, by their names, the formats of plugins. Pieces and extras lie in one 3MF as objects of
    their own; of the other formats each has a file, such as `STEM.piece-1.stl`.
    """
    outputs = []
    for one in deliveries:
        if one.format in (PICTURES, ZIP):
            continue
        middle = "" if one.after is None else f".{one.after}"
        named = (goods if one.after is None else after[one.after]).named()
        if f".{one.format}" in SEVERAL and len(named) > 1:
            path = folder / f"{stem}{middle}.{one.format}"
            write_parts_together({name or stem: part for name, part in named.items()}, path, about)
            outputs.append(_output(folder, path.name, one.format))
            continue
        for name, part in named.items():
            path = folder / f"{stem}{middle}{name and '.' + name.replace(' ', '-')}.{one.format}"
            if one.format in more:
                put_in_place(path, more[one.format](part, tame(about)))
            else:
                write_part(part, path, about)
            outputs.append(_output(folder, path.name, one.format))
    return tuple(outputs)


def hand_over_pictures(folder: Path, pictures: Sequence[str]) -> tuple[Output, ...]:
    """The pictures as delivered files; they lie in the folder in any case."""
    return tuple(_output(folder, path, "png") for path in pictures)


def write_zip(folder: Path, stem: str, outputs: Sequence[Output]) -> Output:
    """All delivered files in `STEM.zip`. The same files give the same bytes."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for output in outputs:
            entry = zipfile.ZipInfo(output.path, NO_TIME)
            entry.create_system = 3  # Unix, wherever this runs
            entry.external_attr = 0o644 << 16
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, (folder / output.path).read_bytes())
    put_in_place(folder / f"{stem}.zip", packed.getvalue())
    return _output(folder, f"{stem}.zip", ZIP)


def _output(folder: Path, path: str, form: str) -> Output:
    data = (folder / path).read_bytes()
    return Output(path, form, hashlib.sha256(data).hexdigest(), len(data))
