"""No text makes a CSV cell that a spreadsheet takes for a formula, and every text comes back.

Contract: the signs are those of the OWASP page on CSV injection (memory): = + - @, tab, carriage return, line feed, and
their full-width forms; written out here, not taken from the module. Cells are read back by Python's csv and by pyarrow.
"""

from __future__ import annotations

import csv
import io
import unicodedata

import pyarrow.csv
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hoodtrace.reporting.export_columns import Column, schema
from hoodtrace.reporting.export_files import Folder, table_of
from hoodtrace.sheet_cells import cleaned, csv_text, guarded, unguarded

SIGNS = (
    "=+-@\t\r\n\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}"
)
BLANKS = " \t\n\r\v\f\N{NO-BREAK SPACE}\N{IDEOGRAPHIC SPACE}\N{ZERO WIDTH SPACE}\N{ZERO WIDTH NO-BREAK SPACE}"
COLUMNS = (Column("text", "none", "text", "a text"), Column("number_m3h", "m3/h", "number", "a number"))
texts = st.one_of(st.text(), st.text(alphabet=SIGNS + BLANKS + "';\",1a"))


def formula(cell: str) -> bool:
    """Whether a cell begins a formula, blanks in front of it or not; as a whole or cut at semicolons."""
    return any(part.lstrip(BLANKS)[:1] in SIGNS and part.strip(BLANKS) != "" for part in cell.split(";"))


@given(texts)
@example("=1+1")
@example("a;\N{NO-BREAK SPACE}=1")
@example("\N{ZERO WIDTH NO-BREAK SPACE}=1")
@example("';'=1")
@example("\x00=1")
def test_no_cell_is_a_formula_and_every_text_comes_back(text: str) -> None:
    cell = guarded(text)
    assert not formula(cell)
    assert unguarded(cell) == cleaned(text)
    # What is left out is not seen: controls and what turns writing round.
    kept = [c for c in text if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Zl", "Zp")]
    assert [c for c in cleaned(text) if unicodedata.category(c) not in ("Cf",) and c not in " ?"] == [
        c for c in kept if c not in " ?"
    ]
    assert not any(unicodedata.category(c) == "Cc" for c in cell)


@given(st.lists(texts, min_size=1, max_size=5))
def test_a_table_by_hand_reads_back(rows: list[str]) -> None:
    content = csv_text(["n", "text"], [{"n": -1.5, "text": text} for text in rows])
    read = list(csv.reader(io.StringIO(content)))[1:]
    assert [unguarded(cell) for _, cell in read] == [cleaned(text) for text in rows]
    assert {number for number, _ in read} == {"-1.5"}
    assert not any(formula(cell) for _, cell in read)


@given(st.lists(st.tuples(texts, st.floats(allow_nan=False, allow_infinity=False)), min_size=1, max_size=5))
def test_a_file_reads_back_with_its_numbers(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, float]]
) -> None:
    folder = tmp_path_factory.mktemp("cells")
    table = table_of(COLUMNS, [{"text": cleaned(text), "number_m3h": number} for text, number in rows])
    Folder(folder, ["x.csv"]).put_tables("x", COLUMNS, [table], ("csv",))
    options = pyarrow.csv.ConvertOptions(column_types=schema(COLUMNS), strings_can_be_null=False)
    read = pyarrow.csv.read_csv(folder / "x.csv", convert_options=options)
    assert read.schema.names == ["text", "number_m3h"]
    cells = read["text"].to_pylist()
    assert not any(formula(cell) for cell in cells)
    assert [unguarded(cell) for cell in cells] == [cleaned(text) for text, _ in rows]
    assert read["number_m3h"].to_pylist() == [number for _, number in rows]
