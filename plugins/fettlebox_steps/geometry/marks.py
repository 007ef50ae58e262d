"""A machine-readable mark as a flat shape: a QR code (ISO/IEC 18004)."""

from __future__ import annotations

from typing import Any

QUIET_MODULES = 4
"""The quiet zone around a QR code, in modules (ISO/IEC 18004)."""

NOTCH = 0.1
"""Dark modules that touch at a corner only lose this share of a module there: a solid cannot hang together
by an edge. Readers look at the middle of a module."""


def qr_modules(content: str) -> list[list[bool]]:
    """Rows from the top, dark is True, without the quiet zone. Raises ValueError if it holds too much."""
    import segno

    try:
        made = segno.make(content, error="m", micro=False)
    except segno.DataOverflowError as error:
        raise ValueError("the text is too long for a code; expected fewer letters") from error
    return [[bool(value) for value in row] for row in made.matrix]


def code_shape(modules: list[list[bool]], module_mm: float) -> Any:
    """The dark modules as a shape (shapely, mm, y up), the middle of the code at the origin."""
    import shapely

    size = len(modules)

    def dark(row: int, column: int) -> bool:
        return 0 <= row < size and 0 <= column < size and modules[row][column]

    at = [(column, size - 1 - row) for row in range(size) for column in range(size) if modules[row][column]]
    squares = shapely.union_all([shapely.box(x, y, x + 1, y + 1) for x, y in at])
    pinched = [
        (column, size - row)
        for row in range(size + 1)
        for column in range(size + 1)
        if (dark(row - 1, column - 1), dark(row - 1, column), dark(row, column - 1), dark(row, column))
        in ((True, False, False, True), (False, True, True, False))
    ]
    notches = [
        shapely.Polygon([(x - NOTCH, y), (x, y - NOTCH), (x + NOTCH, y), (x, y + NOTCH)]) for x, y in pinched
    ]
    shape = squares.difference(shapely.union_all(notches)) if notches else squares
    shape = shapely.transform(shape, lambda points: (points - size / 2.0) * module_mm)
    return shapely.orient_polygons(shapely.simplify(shape, 0.0))
