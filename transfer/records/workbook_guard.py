"""What is looked at before a workbook is opened: size, links to outside, document types.

An ``.xlsx`` file is a zip archive of XML parts. A small archive can unpack to far more than the
memory holds, a part can name files elsewhere, and a document type can define entities that grow
without end. Each is refused by its own rule, before the spreadsheet library sees the file.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from dataclasses import dataclass
from typing import IO
from xml.parsers import expat

from transfer.records import limits

__all__ = ["Refusal", "refusal_of"]

#: Bytes up to which a part may be packed as tightly as it likes (judgement, no source).
_SMALL = 4 << 20

#: How much of a part is looked at for a document type, which may stand before the first element
#: only (XML 1.0, production 22).
_PROLOG = 1 << 20
_CHUNK = 1 << 14

_REL_ENDS = ".rels"
_XML_ENDS = (".xml", _REL_ENDS, ".vml")
#: Parts whose only use is to bring in data or objects from elsewhere.
_OUTSIDE = ("xl/externallinks/", "xl/connections", "xl/querytables/", "xl/embeddings/")


@dataclass(frozen=True)
class Refusal:
    """Why a workbook is not opened: the rule, what to do, and what was seen."""

    rule: str
    next_step: str
    value: str


def refusal_of(data: bytes) -> Refusal | None:
    """Look at a workbook's archive without opening the workbook.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    Refusal or None
        None when nothing speaks against opening it; a file that is no archive passes, because
        the opening itself reports it.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
            return _size(parts) or _outside(parts) or _contents(archive, parts)
    except (
        zipfile.BadZipFile,
        zlib.error,
        OSError,
        EOFError,
        ValueError,
        NotImplementedError,
        RuntimeError,
    ):
        return None


def _size(parts: list[zipfile.ZipInfo]) -> Refusal | None:
    """Too many parts, too many bytes, packed too tightly, or locked by a password.

    The sizes are those that the archive states; the standard library reads no part beyond its
    stated size, so a false statement cannot get round this.
    """
    smaller = "copy the table into a new workbook, or save it as CSV in UTF-8"
    if len(parts) > limits.WORKBOOK_PARTS:
        return Refusal(
            f"a workbook has at most {limits.WORKBOOK_PARTS} parts", smaller, str(len(parts))
        )
    total = sum(part.file_size for part in parts)
    if total > limits.WORKBOOK_BYTES:
        rule = f"a workbook unpacks to at most {limits.WORKBOOK_BYTES >> 20} MB"
        return Refusal(rule, smaller, f"{total >> 20} MB")
    for part in parts:
        ratio = part.file_size / max(part.compress_size, 1)
        if part.file_size > _SMALL and ratio > limits.WORKBOOK_RATIO:
            rule = "a part of a workbook unpacks to at most "
            rule += f"{limits.WORKBOOK_RATIO} times its packed size"
            return Refusal(rule, smaller, f"{part.filename}: {ratio:.0f} times")
        if part.flag_bits & 0x1:
            return Refusal(
                "a workbook is not locked by a password",
                "save it again as .xlsx without a password",
                part.filename,
            )
    return None


def _outside(parts: list[zipfile.ZipInfo]) -> Refusal | None:
    """Parts that are links to other workbooks, data connections or embedded objects."""
    for part in parts:
        if part.filename.lower().lstrip("/").startswith(_OUTSIDE):
            return _linked(part.filename)
    return None


def _linked(value: str) -> Refusal:
    return Refusal(
        "a workbook has no links to other files, data connections or embedded objects",
        "copy the table, paste it as values into a new workbook and save that",
        value,
    )


def _contents(archive: zipfile.ZipFile, parts: list[zipfile.ZipInfo]) -> Refusal | None:
    """Document types in any part; targets outside the workbook in the lists of relations."""
    for part in parts:
        name = part.filename.lower()
        if not name.endswith(_XML_ENDS):
            continue
        with archive.open(part) as stream:
            if _has_document_type(stream):
                return Refusal(
                    "a workbook holds no document type (entities that unfold or name files)",
                    "open it in a spreadsheet and save it again as .xlsx",
                    part.filename,
                )
        if name.endswith(_REL_ENDS):
            target = _outside_target(archive.read(part))
            if target:
                return _linked(target)
    return None


class _FoundError(Exception):
    """Ends parsing: a document type was seen (True), or the first element was (False)."""


def _has_document_type(stream: IO[bytes]) -> bool:
    """Whether a document type stands before the first element, in any encoding."""
    parser = expat.ParserCreate()

    def document_type(*_: object) -> None:
        raise _FoundError(True)

    def element(*_: object) -> None:
        raise _FoundError(False)

    parser.StartDoctypeDeclHandler = document_type
    parser.StartElementHandler = element
    try:
        for _ in range(_PROLOG // _CHUNK):
            chunk = stream.read(_CHUNK)
            parser.Parse(chunk, not chunk)
            if not chunk:
                return False
    except _FoundError as found:
        return bool(found.args[0])
    except expat.ExpatError:
        return False  # not XML: the opening reports it
    return True  # a prolog of a megabyte is none


def _outside_target(relations: bytes) -> str:
    """The first target outside the workbook, or an empty text.

    Addresses behind a cell's text (hyperlinks) pass: nothing follows them unless a person does.
    """
    found: list[str] = []
    parser = expat.ParserCreate()

    def element(tag: str, given: dict[str, str]) -> None:
        outside = given.get("TargetMode", "").lower() == "external"
        if outside and not given.get("Type", "").endswith("/hyperlink"):
            found.append(given.get("Target", "") or tag)

    parser.StartElementHandler = element
    try:
        parser.Parse(relations, True)
    except expat.ExpatError:
        return found[0] if found else ""
    return found[0] if found else ""
