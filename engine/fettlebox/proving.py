"""Which checks hold what is installed against the plugin contract."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from .catalog import Catalog
from .errors import UsageError
from .hooking import readers_of
from .mesh import READABLE, Part, read_scan
from .testing import Check, addition_contract, contract, reader_contract, writer_contract


def checks_of(
    name: str, catalog: Catalog, settings: Mapping[str, Any], samples: Sequence[Path] = ()
) -> list[Check]:
    """The checks of a step by its name, of a reader by its ending (`.asc`, with `samples` to read), of a
    writer by its format, of a fact collector or painter by `PACKAGE/NAME`. Raises UsageError where
    there is none of the name.
    """
    if name in catalog.steps:
        step = catalog.steps[name]
        try:
            step.params.model_validate(dict(settings))
        except ValidationError as error:
            said = "; ".join(
                f"{'.'.join(map(str, one['loc']))}: {one['msg'].removeprefix('Value error, ')}"
                for one in error.errors()
            )
            raise UsageError(f"these are no parameters of {name!r}: {said}") from None
        return contract(step, settings)
    if name in catalog.readers:
        for sample in samples:
            if not sample.is_file():
                raise UsageError(f"there is no file {str(sample)!r}; expected one with the ending {name}")
        if not samples:
            raise UsageError(f"a reader is proven on files that it has to read: --sample FILE{name}")
        return reader_contract(catalog.readers[name], {path.name: path.read_bytes() for path in samples})
    if name in catalog.writers:
        ending = f".{name}"
        more = readers_of(catalog)

        def read(data: bytes) -> Part:
            with tempfile.TemporaryDirectory() as place:
                file = Path(place) / f"part{ending}"
                file.write_bytes(data)
                return read_scan(file, more=more).part

        return writer_contract(catalog.writers[name], read if ending in (*READABLE, *more) else None)
    if name in catalog.collectors or name in catalog.painters:
        return addition_contract(catalog.collectors.get(name) or catalog.painters[name])
    raise UsageError(catalog.why_not(name))
