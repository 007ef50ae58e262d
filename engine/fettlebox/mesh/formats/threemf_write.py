"""Write 3MF: an object and a build item for each part, millimetres.

After the 3MF Core Specification 1.4.0 and, for colours, the Materials and Properties Extension 1.2.1
(3MF Consortium). Colours are an optional extension here: a consumer that does not know it still has
the shape.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from ..part import Bytes, Part

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MATERIAL = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
OWN = "urn:fettlebox:about"
WELL_KNOWN = (
    "Title", "Designer", "Description", "Copyright", "LicenseTerms", "Rating",
    "CreationDate", "ModificationDate", "Application",
)  # fmt: skip
MODEL_PART = "3D/3dmodel.model"

_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_TYPES = (
    _HEAD + '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>\n"
)
_RELATIONSHIPS = (
    _HEAD + '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Target="/{MODEL_PART}" Id="rel0" Type="{MODEL_TYPE}"/></Relationships>\n'
)
_ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)
_LEVEL = 4
"""Deflate level: on these texts level 6 takes three times as long for 5 % fewer bytes."""


APART_MM = 10.0
"""Gap between parts that lie side by side in one file, for a brim (common practice, no published source)."""


def write(part: Part, about: dict[str, str]) -> bytes:
    return _packed(model_xml({about.get("Title") or "part": part}, about))


def write_several(parts: Mapping[str, Part], about: dict[str, str]) -> bytes:
    return _packed(model_xml(parts, about))


def _packed(model: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in (
            ("[Content_Types].xml", _TYPES.encode()),
            ("_rels/.rels", _RELATIONSHIPS.encode()),
            (MODEL_PART, model),
        ):
            entry = zipfile.ZipInfo(name, _ZIP_EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 0  # the same on every system
            archive.writestr(entry, content, compresslevel=_LEVEL)
    return packed.getvalue()


def model_xml(parts: Mapping[str, Part], about: dict[str, str]) -> bytes:
    """The model part: UTF-8 XML without a document type. One part stays in place; several are moved apart."""
    objects, items = [], []
    offsets = [""] if len(parts) == 1 else _side_by_side(list(parts.values()))
    for k, (name, part) in enumerate(parts.items()):
        objects.append(_object(name, part, 2 * k + 1))
        items.append(f'<item objectid="{2 * k + 2}"{offsets[k]}/>\n')
    return b"".join(
        (
            _HEAD.encode(),
            f'<model unit="millimeter" xml:lang="en-US" xmlns="{CORE}" xmlns:m="{MATERIAL}"'.encode(),
            f' xmlns:about="{OWN}">\n'.encode(),
            _metadata(about).encode(),
            b"<resources>\n",
            *objects,
            f"</resources>\n<build>\n{''.join(items)}</build>\n</model>\n".encode(),
        )
    )


def _side_by_side(parts: list[Part]) -> list[str]:
    """Transforms of build items that put parts in a row along X, in the octant where all are positive, which
    Core 1.4.0, section 3.4.3.1, recommends.
    """
    shifts = []
    x = 0.0
    for part in parts:
        low, high = part.bounds
        shift = (x - low[0], -low[1], -low[2])
        shifts.append(' transform="1 0 0 0 1 0 0 0 1 {:.6g} {:.6g} {:.6g}"'.format(*(v + 0.0 for v in shift)))
        x += float(high[0] - low[0]) + APART_MM
    return shifts


def _object(name: str, part: Part, group: int) -> bytes:
    """The object with the number `group` + 1, and its colour group before it if it has colours."""
    from .threemf_text import element_lines, vertex_lines

    names: tuple[str, ...] = ("v1", "v2", "v3")
    rows, colours, shading = part.faces, b"", ""
    if part.colours is not None:
        distinct, index = np.unique(part.colours.view("<u4").ravel(), return_inverse=True)
        colours = _colour_group(distinct, group)
        # the object's own pid would do, but readers are known to heed only the triangle's
        names = (*names, "pid", "p1", "p2", "p3")
        groups = np.full((len(part.faces), 1), group, np.int32)
        rows = np.concatenate([part.faces, groups, index.astype(np.int32)[part.faces]], axis=1)
        shading = f' pid="{group}" pindex="0"'
    head = f'<object id="{group + 1}" type="model" name={quoteattr(name)}{shading}>'
    return b"".join(
        (
            colours,
            f"{head}\n<mesh>\n<vertices>\n".encode(),
            vertex_lines(part.vertices),
            b"</vertices>\n<triangles>\n",
            element_lines("triangle", names, rows),
            b"</triangles>\n</mesh>\n</object>\n",
        )
    )


def _metadata(about: dict[str, str]) -> str:
    """Well-known names as they are; any other must carry a namespace (Core 1.4.0, section 3.4.1)."""
    lines = []
    for key, text in about.items():
        name = key if key in WELL_KNOWN else "about:" + re.sub(r"[^A-Za-z0-9_-]", "_", key)
        lines.append(f"<metadata name={quoteattr(name)}>{escape(text)}</metadata>\n")
    return "".join(lines)


def _colour_group(distinct: Bytes, group: int) -> bytes:
    """The colour group with the number `group`, of packed RGBA values (k,), in their order."""
    rgba = np.ascontiguousarray(distinct).view(np.uint8).reshape(-1, 4)
    lines = "".join(f'<m:color color="#{r:02X}{g:02X}{b:02X}{a:02X}"/>\n' for r, g, b, a in rgba.tolist())
    return f'<m:colorgroup id="{group}">\n{lines}</m:colorgroup>\n'.encode()
