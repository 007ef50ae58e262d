"""Write 3MF: one object, one build item, millimetres.

After the 3MF Core Specification 1.4.0 and, for colours, the Materials and Properties Extension 1.2.1
(3MF Consortium). Colours are an optional extension here: a consumer that does not know it still has
the shape.
"""

from __future__ import annotations

import io
import re
import zipfile
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


def write(part: Part, about: dict[str, str]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in (
            ("[Content_Types].xml", _TYPES.encode()),
            ("_rels/.rels", _RELATIONSHIPS.encode()),
            (MODEL_PART, model_xml(part, about)),
        ):
            entry = zipfile.ZipInfo(name, _ZIP_EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 0  # the same on every system
            archive.writestr(entry, content, compresslevel=_LEVEL)
    return packed.getvalue()


def model_xml(part: Part, about: dict[str, str]) -> bytes:
    """The model part: UTF-8 XML without a document type."""
    from .threemf_text import element_lines, vertex_lines

    names: tuple[str, ...] = ("v1", "v2", "v3")
    rows, colours, shading = part.faces, b"", ""
    if part.colours is not None:
        distinct, index = np.unique(part.colours.view("<u4").ravel(), return_inverse=True)
        colours = _colour_group(distinct)
        # the object's own pid would do, but readers are known to heed only the triangle's
        names = (*names, "pid", "p1", "p2", "p3")
        group = np.ones((len(part.faces), 1), np.int32)
        rows = np.concatenate([part.faces, group, index.astype(np.int32)[part.faces]], axis=1)
        shading = ' pid="1" pindex="0"'
    title = quoteattr(about["Title"]) if about.get("Title") else '"part"'
    return b"".join(
        (
            _HEAD.encode(),
            f'<model unit="millimeter" xml:lang="en-US" xmlns="{CORE}" xmlns:m="{MATERIAL}"'.encode(),
            f' xmlns:about="{OWN}">\n'.encode(),
            _metadata(about).encode(),
            b"<resources>\n",
            colours,
            f'<object id="2" type="model" name={title}{shading}>\n<mesh>\n<vertices>\n'.encode(),
            vertex_lines(part.vertices),
            b"</vertices>\n<triangles>\n",
            element_lines("triangle", names, rows),
            b"</triangles>\n</mesh>\n</object>\n</resources>\n",
            b'<build>\n<item objectid="2"/>\n</build>\n</model>\n',
        )
    )


def _metadata(about: dict[str, str]) -> str:
    """Well-known names as they are; any other must carry a namespace (Core 1.4.0, section 3.4.1)."""
    lines = []
    for key, text in about.items():
        name = key if key in WELL_KNOWN else "about:" + re.sub(r"[^A-Za-z0-9_-]", "_", key)
        lines.append(f"<metadata name={quoteattr(name)}>{escape(text)}</metadata>\n")
    return "".join(lines)


def _colour_group(distinct: Bytes) -> bytes:
    """A colour group, id 1, of packed RGBA values (k,), in their order."""
    rgba = np.ascontiguousarray(distinct).view(np.uint8).reshape(-1, 4)
    lines = "".join(f'<m:color color="#{r:02X}{g:02X}{b:02X}{a:02X}"/>\n' for r, g, b, a in rgba.tolist())
    return f'<m:colorgroup id="1">\n{lines}</m:colorgroup>\n'.encode()
