"""How a text is written in bytes: recognised, never guessed past what it says of itself."""

from __future__ import annotations

import codecs

NAMES = {
    "utf-8": "UTF-8",
    "utf-8-sig": "UTF-8",
    "utf-16": "UTF-16",
    "cp1252": "Windows-1252",
}
"""Encodings that are recognised, and what people call them."""


def decoded(content: bytes) -> tuple[str, str]:
    """Return the text of bytes without a byte order mark, and the encoding it is in.

    UTF-16 by its mark; UTF-8 if every byte of it is; else Windows-1252, which most programs of
    western offices wrote and which holds Latin-1 (the five bytes that it leaves undefined, and
    zeros, say that it is no such text).

    >>> decoded("Größe".encode("cp1252")), decoded("Größe".encode("utf-16"))
    (('Größe', 'cp1252'), ('Größe', 'utf-16'))

    Raises
    ------
    UnicodeDecodeError
        If it is none of them.

    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16"), "utf-16"
    if content.startswith(codecs.BOM_UTF8):
        return content.decode("utf-8-sig"), "utf-8-sig"
    try:
        return content.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        if b"\0" in content:
            raise
        return content.decode("cp1252"), "cp1252"
