"""Printed sheets as pixels and ink, for the tests of each of them."""

from __future__ import annotations

import base64
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pypdfium2
from numpy.typing import NDArray

PX_PER_MM = 300 / 25.4
PAPERS_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}  # ISO 216 and ANSI/ASME Y14.1, lying across


@contextmanager
def page_of(pdf: bytes) -> Iterator[pypdfium2.PdfPage]:
    """Yield the first page of a document."""
    document = pypdfium2.PdfDocument(pdf)
    yield document[0]
    document.close()


def rgb_of(page: pypdfium2.PdfPage) -> NDArray[np.uint8]:
    """Return a page at `PX_PER_MM`."""
    return np.asarray(page.render(scale=PX_PER_MM * 25.4 / 72).to_pil().convert("RGB"))


def uses_only_black_ink(pdf: bytes) -> bool:
    """Whether a document has gray levels and, for text, the black of CMYK, and nothing of another color space."""
    (stream,) = re.findall(rb"stream\n(.*?)~>endstream", pdf, re.DOTALL)
    commands = zlib.decompress(base64.a85decode(stream))
    colors = re.findall(rb"((?:[\d.]+ )+)(rg|RG|k|K|g|G|sc|SC|scn|SCN)\s", commands)
    texts = {values for values, operator in colors if operator == b"k"}
    return {operator for _, operator in colors} == {b"g", b"G", b"k"} and texts == {b"0 0 0 1 "}
