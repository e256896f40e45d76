"""The fonts of a PDF, read back."""

from __future__ import annotations

import io

import pypdf

__all__ = ["families"]


def families(pdf: bytes) -> set[str]:
    """Names of all fonts of a PDF, without the tag of the subset."""
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    size = int(str(reader.trailer["/Size"]))
    objects = (reader.get_object(n) for n in range(1, size))
    return {
        str(held["/BaseFont"]).rpartition("+")[2]
        for held in objects
        if isinstance(held, pypdf.generic.DictionaryObject) and "/BaseFont" in held
    }
