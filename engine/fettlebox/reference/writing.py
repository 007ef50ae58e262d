"""A page and its picture, as files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..api import Step
from ..catalog import Catalog
from .example import ALIKE, run_example, unlike
from .page import page_of


def write_page(
    step: Step[Any], catalog: Catalog, folder: Path, *, scan: Path | None = None, kept: Path | None = None
) -> list[Path]:
    """Write `NAME.md`, and `NAME.png` if the step has an example, into a folder. A picture that shows the
    same as before stays as it is. For `scan`, `kept` and what is raised see `run_example`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    page, picture = folder / f"{step.name}.md", folder / f"{step.name}.png"
    example = run_example(step, catalog, scan=scan, kept=kept)
    png = example.picture if example else None
    if png is not None and not (picture.is_file() and unlike(picture.read_bytes(), png) <= ALIKE):
        picture.write_bytes(png)
    page.write_text(page_of(step, picture.name if png is not None else None), "utf-8")
    return [page] if png is None else [page, picture]
