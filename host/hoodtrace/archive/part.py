"""The part of one visit: its rows of all tables in one file, with what they were made of; whole or not taken.

A file is the SHA-256 of what follows, in hex, a line feed, and one Arrow stream a table; the first stream carries the
visit's id, its fingerprint and its problems.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoodtrace.archive.columns import TABLES
from hoodtrace.reporting.export_columns import schema

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]

_DIGEST = 64
_ABOUT, _TABLE = b"hoodtrace", b"table"


@dataclass(frozen=True, slots=True)
class Part:
    """A visit's rows by table; `key` is the fingerprint of what they were made of; `problems` what was left out.

    `customers` says whether what people typed is in the rows. `digest` is the SHA-256 of the part as it lies there.
    """

    visit: str
    key: str
    problems: tuple[str, ...]
    tables: Mapping[str, pa.Table]
    customers: bool = False
    digest: str = ""


def part_bytes(part: Part) -> bytes:
    """Return a part as its file has it."""
    import pyarrow as pa

    out = io.BytesIO()
    fields = {"visit": part.visit, "key": part.key, "problems": part.problems, "customers": part.customers}
    about = json.dumps(fields)
    for name, table in part.tables.items():
        shape = table.schema.with_metadata({_TABLE: name.encode(), _ABOUT: about.encode()})
        with pa.ipc.new_stream(out, shape) as writer:
            writer.write_table(table.cast(shape))
    content = out.getvalue()
    return hashlib.sha256(content).hexdigest().encode() + b"\n" + content


def read_part(content: bytes) -> Part | None:
    """Return the part in a file; None where it is not whole, or of another version's tables."""
    import pyarrow as pa

    digest, body = content[:_DIGEST], content[_DIGEST + 1 :]
    if hashlib.sha256(body).hexdigest().encode() != digest:
        return None
    tables, about = {}, {}
    file = io.BytesIO(body)
    while file.tell() < len(body):
        with pa.ipc.open_stream(file) as reader:
            table = reader.read_all()
        tables[table.schema.metadata[_TABLE].decode()] = table
        about = json.loads(table.schema.metadata[_ABOUT])
    if {name: table.schema.names for name, table in tables.items()} != _SHAPE:
        return None
    problems, customers = tuple(about["problems"]), bool(about["customers"])
    return Part(about["visit"], about["key"], problems, tables, customers, digest.decode())


_SHAPE = {name: [column.name for column in columns] for name, columns in TABLES.items()}


def joined(parts: list[Part], name: str) -> pa.Table:
    """Return the rows of one table of all parts, in the order of `parts`."""
    import pyarrow as pa

    shape = schema(TABLES[name])
    return pa.concat_tables([part.tables[name].cast(shape) for part in parts]) if parts else shape.empty_table()
