"""Plans from CSV and spreadsheet tables: headings, separators, decimals, units, each fault by row and column.

Contract: tables are written here by hand or with openpyxl, as people's programs write them. Units: 1 m3/s = 1000 L/s
by definition of the litre; 1 ft = 0.3048 m exactly (international yard and pound agreement, 1959; memory), so 1 cfm =
0.3048^3 * 60 m3/h. What begins a formula in a spreadsheet: = + - @ tab and their wide forms (common web-security
advice on CSV injection; memory).
"""

from __future__ import annotations

import csv
import io
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from hoodtrace.board.scenario import demo_visit_toml
from hoodtrace.dwelling.plan import Plan, Room, Site, System, Terminal, parse_plan
from hoodtrace.dwelling.plan_table import FromTable, plan_from_table, table_csv
from hoodtrace.errors import VisitError

HEAD = "id,room,system,direction,design_m3h\n"


def read(tmp_path: Path, text: str | bytes, name: str = "house.csv", base: Plan | None = None) -> FromTable:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return plan_from_table(path, base)


def faults(tmp_path: Path, text: str | bytes, name: str = "house.csv") -> str:
    with pytest.raises(VisitError) as caught:
        read(tmp_path, text, name)
    assert str(tmp_path / name) in str(caught.value)
    return str(caught.value)


def sheet(tmp_path: Path, rows: list[list[Any]], more_sheets: tuple[str, ...] = ()) -> Path:
    book = openpyxl.Workbook()
    for name in more_sheets:
        book.create_sheet(name, 0).append(["nothing", "here"])
    for row in rows:
        book.worksheets[-1].append(row)
    book.save(tmp_path / "house.xlsx")
    return tmp_path / "house.xlsx"


def sheet_faults(path: Path) -> str:
    with pytest.raises(VisitError) as caught:
        plan_from_table(path)
    return str(caught.value)


TWO = (
    Terminal("S1", "Küche", "unit", "supply", 40.5),
    Terminal("E1", "Bad; unten", "unit", "extract", 30.0, height_m=2.4),
)


@pytest.mark.parametrize(
    "text",
    [
        "id,room,system,direction,design_m3h,height_m\nS1,Küche,unit,supply,40.5,\n"
        'E1,"Bad; unten",unit,extract,30,2.4\n',
        "id;room;system;direction;design_m3h;height_m\nS1;Küche;unit;supply;40,5;\n"
        'E1;"Bad; unten";unit;extract;30;2,4\n',
        "id;room;system;direction;design_m3h;height_m\nS1;Küche;unit;supply;40.5;\n"
        'E1;"Bad; unten";unit;extract;30;2.4\n',
        "id\troom\tsystem\tdirection\tdesign_m3h\theight_m\nS1\tKüche\tunit\tsupply\t40,5\nE1\tBad; unten\tunit\t"
        "extract\t30\t2,4\n",
        "HEIGHT_M,Direction, Room ,design m3h,System,ID\n,Supply,Küche, 40.5 ,unit,S1\n"
        '2.4,EXTRACT,"Bad; unten",30,unit,E1\n',
        "sep=;\r\nid;room;system;direction;design_m3h;height_m\r\nS1;Küche;unit;supply;40,5;\r\n;;;;;\r\n\r\n"
        'E1;"Bad; unten";unit;extract;30;2,4\r\n',
        'id,room,system,direction,design_l_s,height_m\nS1,Küche,unit,supply,11.25,\nE1,"Bad; unten",unit,extract,'
        "8.33333333,2.4\n",
    ],
)
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_one_table_written_in_many_ways_gives_the_same_terminals(tmp_path: Path, text: str, mark: str) -> None:
    assert read(tmp_path, mark + text).plan.terminals == TWO


def test_a_spreadsheet_gives_the_same_terminals(tmp_path: Path) -> None:
    rows = [
        ["id", "room", "system", "direction", "design_m3h", "height_m"],
        ["S1", "Küche", "unit", "supply", 40.5, None],
        [None] * 6,
        ["E1", "Bad; unten", "unit", "extract", "30", 2.4],
    ]
    assert plan_from_table(sheet(tmp_path, rows)).plan.terminals == TWO
    found = plan_from_table(sheet(tmp_path, rows, ("cover",)))
    assert found.plan.terminals == TWO
    assert any("sheet" in note and "of 2" in note for note in found.notes)


def test_whole_numbers_as_ids_are_words(tmp_path: Path) -> None:
    rows = [["id", "room", "system", "direction"], [1, 2.0, "unit", "supply"]]
    (terminal,) = plan_from_table(sheet(tmp_path, rows)).plan.terminals
    assert (terminal.id, terminal.room) == ("1", "2")


def test_cfm_and_litres_a_second_become_m3h_and_the_note_says_so(tmp_path: Path) -> None:
    found = read(tmp_path, HEAD.replace("design_m3h", "design_cfm") + "S1,Study,unit,supply,25\n")
    assert found.plan.terminals[0].design_m3h == pytest.approx(25 * 60 * 0.3048**3, abs=0.0005)
    assert any("design_cfm" in note and "m3/h" in note for note in found.notes)
    found = read(tmp_path, HEAD.replace("design_m3h", "Design L/s") + "S1,Study,unit,supply,25\n")
    assert found.plan.terminals[0].design_m3h == 90.0


def test_settings_come_from_headings_and_rows_above(tmp_path: Path) -> None:
    found = read(tmp_path, "id,room,system,direction,design_m3h,design_l_s Boost\nS1,Study,unit,supply,20,10\n")
    assert found.plan.settings == ("normal", "Boost")
    assert found.plan.terminals[0].design_by_setting == {"Boost": 36.0}
    assert any('"Boost" was added' in note for note in found.notes)
    text = (
        "setting,night,boost\nid,room,system,direction,design_m3h night,design_m3h BOOST\nS1,Study,unit,supply,20,30\n"
    )
    found = read(tmp_path, text)
    assert found.plan.settings == ("night", "boost")
    assert (found.plan.terminals[0].design_m3h, found.plan.terminals[0].design("boost")) == (20.0, 30.0)


@pytest.mark.parametrize(
    ("directions", "kind"), [("supply extract", "heat-recovery"), ("extract extract", "extract"), ("supply", "supply")]
)
def test_a_systems_kind_is_guessed_from_its_directions_and_said(tmp_path: Path, directions: str, kind: str) -> None:
    rows = "".join(f"T{i},room,Box,{each},\n" for i, each in enumerate(directions.split()))
    found = read(tmp_path, HEAD + rows + "X1,hall,other,supply,\n")
    assert found.plan.systems == (System("Box", kind), System("other", "supply"))  # type: ignore[arg-type]
    assert any('"Box"' in note and kind in note for note in found.notes)
    assert found.plan.terminals[0].design_m3h is None


def test_a_site_and_systems_may_stand_above_the_headings(tmp_path: Path) -> None:
    text = "site;Alder Row 7\nfloor_area_m2;92,5\nvolume_m3;\nbedrooms;3\nopen_flued_appliance;No\n"
    text += "system;stack;natural\n\n"
    found = read(tmp_path, text + HEAD.replace(",", ";") + "E1;Bad;stack;extract;\n")
    assert found.plan.site == Site("Alder Row 7", 92.5, 3, open_flued_appliance="no")
    assert found.plan.systems == (System("stack", "natural"),)
    assert found.notes == ()


def test_without_a_name_the_site_is_called_after_the_file_and_that_is_said(tmp_path: Path) -> None:
    found = read(tmp_path, HEAD + "S1,Study,unit,supply,20\n", "mill lane.csv")
    assert found.plan.site == Site("mill lane")
    assert any('"mill lane"' in note for note in found.notes)


def test_a_plan_that_is_there_already_gives_the_rest(tmp_path: Path) -> None:
    base = parse_plan(demo_visit_toml(), "visit.toml")
    base = replace(base, rooms=(Room("Study", "other"),), precision_rel=0.05)
    found = read(tmp_path, HEAD + "S1,Study,unit,supply,20\n", base=base)
    assert found.plan == replace(base, terminals=(Terminal("S1", "Study", "unit", "supply", 20.0),))
    assert found.notes == ()
    assert read(tmp_path, "bedrooms,5\n" + HEAD + "S1,a,unit,supply,20\n", base=base).plan.site == replace(
        base.site, bedrooms=5
    )


def test_damp_and_the_choices_are_taken_in_any_case(tmp_path: Path) -> None:
    text = "id,room,system,direction,damp,limit,cover,why_not\nE1,a,u,Extract,Yes,At Least,NONE,walled in\n"
    text += "E2,b,u,extract,0,,,\n"
    one, two = read(tmp_path, text).plan.terminals
    assert (one.damp, one.limit, one.cover, one.why_not) == (True, "at least", "none", "walled in")
    assert (two.damp, two.limit, two.cover) == (False, "around", "hood")


def test_a_column_that_is_not_known_is_not_used_and_said(tmp_path: Path) -> None:
    found = read(tmp_path, "id,room,system,direction,colour\nS1,a,u,supply,red\n")
    assert any('column E "colour"' in note for note in found.notes)


@pytest.mark.parametrize(
    ("rows", "places"),
    [
        ("S1,a,u,supply,-5\n", ["row 2, column E (design_m3h)"]),
        ("S1,a,u,supply,0\n", ["row 2, column E (design_m3h)"]),
        ("S1,a,u,supply,nan\n", ["row 2, column E (design_m3h)", "plain number"]),
        ("S1,a,u,supply,1e3\n", ["row 2, column E (design_m3h)"]),
        ("S1,a,u,supply,40 m3/h\n", ["row 2, column E (design_m3h)", "without unit"]),
        ('S1,a,u,supply,"40,5"\n', ["row 2, column E (design_m3h)", "decimal point"]),
        ("S1,a,u,supply,40,5\n", ["row 2, column F", "decimal comma"]),
        ("S1,a,u,up,40\n", ["row 2, column D (direction)", "'supply' or 'extract'"]),
        ("S1,,u,supply,40\n", ["row 2, room is missing"]),
        ('S1,"a\nb",u,supply,40\n', ["row 2, column B (room)", "one line"]),
        ("S1,a,u,supply,40\n\nS1,b,u,supply,40\n", ["row 4, column A (id)", "terminal 1"]),
        (",a,u,supply,40\nS2,b,,supply,x\n", ["row 2, id", "row 3, column E"]),
        ("", ["no terminal"]),
    ],
)
def test_a_faulty_cell_is_named_by_row_and_column(tmp_path: Path, rows: str, places: list[str]) -> None:
    text = HEAD + rows
    if places[0].endswith("is missing"):
        places = ["row 2, column B (room) is missing"]
    words = faults(tmp_path, text)
    for place in places:
        assert place.replace("row 2, id", "row 2, column A (id)") in words


@pytest.mark.parametrize("text", ["1.234", "1.234,5", "1 234", "1'234", "12.345", "\u0663\u0664", "\u22125"])
def test_thousands_and_foreign_digits_are_refused_where_commas_are_decimal(tmp_path: Path, text: str) -> None:
    words = faults(tmp_path, HEAD.replace(",", ";") + f"S1;a;u;supply;{text}\n")
    assert "row 2, column E (design_m3h)" in words


def test_one_sided_systems_and_two_units_at_once_are_refused_in_the_table(tmp_path: Path) -> None:
    text = "system,fan,extract\n" + HEAD + "E1,a,fan,extract,20\nS1,b,fan,supply,20\n"
    assert "row 4, column D (direction)" in faults(tmp_path, text)
    text = "id,room,system,direction,design_m3h,design_l_s\nS1,a,u,supply,36,10\n"
    assert "row 1, column F (design_l_s) says design_m3h a second time" in faults(tmp_path, text)
    text = "id,id,room,system,direction\nS1,S2,a,u,supply\n"
    assert "row 1, column B (id) says id a second time" in faults(tmp_path, text)
    assert "no column room; add it" in faults(tmp_path, "id,direction\nS1,supply\n")


@pytest.mark.parametrize(
    ("above", "words"),
    [
        ("colour,red", "row 1 begins with 'colour'"),
        ("floor_area_m2,92,5", "row 1 can't be taken"),
        ("floor_area_m2,big", "row 1, floor_area_m2"),
        ("floor_area_m2,-1", "site, floor_area_m2"),
        ("bedrooms,2.5", "site, bedrooms"),
        ("setting", "row 1 can't be taken"),
        ("system,unit,heat", "row 1, kind"),
        ("setting,a,A", "setting 2.name"),
    ],
)
def test_faults_above_the_headings_are_named(tmp_path: Path, above: str, words: str) -> None:
    assert words in faults(tmp_path, f"{above}\n{HEAD}S1,a,unit,supply,20\n")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no row of headings with id, direction"),
        ((HEAD + "S1,Küche,u,supply,20\n").encode("cp1252"), "Windows-1252"),
        ((HEAD + "S1,a,u,supply,20\n").encode("utf-16"), "CSV UTF-8"),
        (b"PK\x03\x04 and then nothing", "can't be read as a spreadsheet"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "Save it as .xlsx or as CSV"),
        (HEAD.encode() + b"S1,a,u,supply,20\n" * 2100, "more than 1000 rows"),
        (HEAD.encode() + b"".join(b"S%d,a,u,supply,20\n" % i for i in range(501)), "row 502 is beyond 500 terminals"),
        (b"x" * 5_000_001, "more than 5000000 bytes"),
    ],
)
def test_a_file_that_is_no_table_is_refused_with_what_to_do(tmp_path: Path, content: bytes, words: str) -> None:
    assert words in faults(tmp_path, content)


def test_a_file_that_is_missing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="can't be read"):
        plan_from_table(tmp_path / "none.csv")


def test_a_zip_that_is_no_workbook_or_unpacks_to_very_much_is_refused(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("content.xml", b"<a/>")
    assert "can't be read as a spreadsheet" in faults(tmp_path, packed.getvalue(), "house.xlsx")
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("big", b"\0" * 10_000_001)
    assert "unpacks to 10000001 bytes" in faults(tmp_path, packed.getvalue(), "house.xlsx")


MAIN = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
SHEET_PART, STYLES_PART, STRINGS_PART = "xl/worksheets/sheet1.xml", "xl/styles.xml", "xl/sharedStrings.xml"


def with_part(path: Path, name: str, content: bytes) -> Path:
    """Put other content into one part of a workbook."""
    with zipfile.ZipFile(path) as old:
        parts = {part.filename: old.read(part) for part in old.infolist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for each, kept in (parts | {name: content}).items():
            new.writestr(each, kept)
    return path


def of_sheet(inner: bytes) -> bytes:
    return b'<worksheet xmlns="%s"><sheetData>%s</sheetData></worksheet>' % (MAIN, inner)


@pytest.mark.parametrize(
    ("part", "content"),
    [
        (SHEET_PART, of_sheet(b"<row>" + b"<c/>" * 200_000 + b"</row>")),
        (SHEET_PART, of_sheet(b"<a>" * 100_000 + b"</a>" * 100_000)),
        (SHEET_PART, of_sheet(b"<row>" + b"<c/>" * 200_000 + b"</row>").decode().encode("utf-16")),
        (STYLES_PART, b'<styleSheet xmlns="%s"><cellXfs>%s</cellXfs></styleSheet>' % (MAIN, b"<xf/>" * 30_000)),
        (STRINGS_PART, b'<sst xmlns="%s">%s</sst>' % (MAIN, b"<si/>" * 200_000)),
    ],
    ids=["one long row", "nested", "utf-16", "styles", "strings"],
)
def test_a_small_file_that_holds_very_much_is_refused_before_it_is_read(
    tmp_path: Path, part: str, content: bytes
) -> None:
    path = with_part(sheet(tmp_path, [XHEAD, ["S1", "a", "u", "supply", 20]]), part, content)
    assert path.stat().st_size < 20_000
    words = sheet_faults(path)
    assert f"holds more than a plan's table needs (by '{part}'" in words
    assert "into a new file of their own, or save them as CSV UTF-8" in words


def test_many_parts_that_are_each_within_the_limits_are_refused_together(tmp_path: Path) -> None:
    path = sheet(tmp_path, [XHEAD, ["S1", "a", "u", "supply", 20]])
    for n in range(5):
        with_part(path, f"xl/worksheets/sheet{n + 2}.xml", of_sheet(b"<c/>" * 40_000))
    assert "holds more than a plan's table needs" in sheet_faults(path)


def test_a_part_gives_no_more_bytes_than_it_says(tmp_path: Path) -> None:
    path = with_part(sheet(tmp_path, [XHEAD]), STYLES_PART, b"<a/>" * 2_000_000)
    content = path.read_bytes().replace((8_000_000).to_bytes(4, "little"), (80).to_bytes(4, "little"))
    path.write_bytes(content)
    assert "can't be read as a spreadsheet (BadZipFile" in sheet_faults(path)


def test_the_largest_plan_with_thirty_columns_is_read(tmp_path: Path) -> None:
    more = [f"remark {n}" for n in range(25)]
    rows = [[f"S{i}", f"room {i}", "u", "supply", 20.5, *(f"{name} of {i}" for name in more)] for i in range(500)]
    found = plan_from_table(sheet(tmp_path, [[*XHEAD, *more], *rows]))
    assert (len(found.plan.terminals), found.plan.terminals[-1].room) == (500, "room 499")


@pytest.mark.parametrize(
    "inner", [b'<row r="1048576"><c r="A1048576"><v>1</v></c></row>', b'<row><c r="XFD1"><v>1</v></c></row>']
)
def test_cells_far_away_are_not_filled_up_to(tmp_path: Path, inner: bytes) -> None:
    path = with_part(sheet(tmp_path, [XHEAD]), SHEET_PART, of_sheet(inner))
    assert "has no row of headings" in sheet_faults(path)


def test_more_columns_or_cells_than_a_plan_needs_are_refused(tmp_path: Path) -> None:
    row = "S1,a,unit,supply,20"
    assert "more than 1000 rows, 100 columns" in faults(tmp_path, f"{HEAD}{row}{',' * 100_000}\n")
    assert "or 40000 cells" in faults(tmp_path, HEAD + f"{row}{',' * 75}\n" * 501)
    wide = [[*XHEAD, *(None for _ in range(95)), "note"], ["S1", "a", "unit", "supply", 20]]
    assert "more than 1000 rows, 100 columns" in sheet_faults(sheet(tmp_path, wide))


def test_a_very_long_cell_is_named(tmp_path: Path) -> None:
    path = sheet(tmp_path, [XHEAD, ["S1", "a" * 2001, "unit", "supply", 20]])
    assert "row 2, column B (room) has 2001 letters, more than 2000; shorten it" in sheet_faults(path)


XHEAD = ["id", "room", "system", "direction", "design_m3h"]


def test_spreadsheet_cells_that_say_nothing_certain_are_refused_by_name(tmp_path: Path) -> None:
    import datetime

    rows = [
        XHEAD,
        ["S1", "a", "u", "supply", "=20+1"],
        ["S2", "=A1", "u", "supply", 20],
        ["S3", datetime.date(2026, 2, 1), "u", "supply", 20],
        ["S4", "a", "u", "supply", "#REF!"],
        ["S5", "a", "u", "supply", "1,234"],
        ["S6", "a", "u", "supply", True],
        ["S7", "#N/A", "u", "supply", 20],
    ]
    path = sheet(tmp_path, rows)
    words = sheet_faults(path)
    for place in (
        "row 2, column E",
        "row 3, column B",
        "row 4, column B",
        "row 5, column E",
        "row 6, column E",
        "row 7",
    ):
        assert place in words
    assert "formula without a stored result" in words
    assert "is a date" in words
    assert "#REF!" in words
    assert "row 8, column B (room) shows the error #N/A" in words


def test_a_formulas_stored_result_is_taken(tmp_path: Path) -> None:
    path = sheet(tmp_path, [XHEAD, ["S1", "a", "u", "supply", "=40+0.5"]])
    packed = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(packed, "w") as new:  # as a spreadsheet program stores results
        for part in old.infolist():
            content = old.read(part)
            if part.filename == "xl/worksheets/sheet1.xml":
                assert b"<v" in content
                content = (
                    content.replace(b"<v></v>", b"<v>40.5</v>")
                    .replace(b"<v />", b"<v>40.5</v>")
                    .replace(b"<v/>", b"<v>40.5</v>")
                )
            new.writestr(part.filename, content)
    path.write_bytes(packed.getvalue())
    assert plan_from_table(path).plan.terminals[0].design_m3h == 40.5


def test_values_beside_the_headings_are_not_lost_silently(tmp_path: Path) -> None:
    path = sheet(tmp_path, [XHEAD, ["S1", "a", "u", "supply", 20, "look"]])
    assert "row 2, column F has no heading above it" in sheet_faults(path)
    path = sheet(tmp_path, [["id", None, "room", "system", "direction"], ["S1", "look", "a", "u", "supply"]])
    assert "row 2, column B has no heading above it" in sheet_faults(path)


# Unicode Bidirectional Algorithm (Unicode Standard Annex 9), explicit directional formatting characters: embeddings,
# overrides and isolates with what ends them; memory.
TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\uff1d1", "'=1", "''=1", "'text", "=cmd|' /C calc'!A0", '=HYPERLINK("x")']


@pytest.mark.parametrize("comma", [False, True])
@pytest.mark.parametrize("text", FORMULAS)
def test_no_cell_of_the_table_begins_a_formula_and_all_come_back(tmp_path: Path, text: str, comma: bool) -> None:
    plan = Plan(
        Site(text, note=text),
        (System(text, "extract"),),
        (Terminal(text, text, text, "extract", 20.25, branch=text, note=text, why_not=text, design_from=text),),
        settings=("normal", "b " + text),
    )
    table = table_csv(plan, comma)
    for row in csv.reader(io.StringIO(table, newline=""), delimiter=";" if comma else ","):
        assert not any(cell.lstrip()[:1] in tuple("=+-@\t\r\uff1d") for cell in row if cell)
    assert read(tmp_path, table).plan == plan


@pytest.mark.parametrize("comma", [False, True])
def test_the_demos_plan_and_a_fuller_one_come_back(tmp_path: Path, comma: bool) -> None:
    demo = parse_plan(demo_visit_toml(), "visit.toml")
    found = read(tmp_path, "\ufeff" + table_csv(demo, comma))
    assert found.plan == replace(demo, other_fans=())
    assert found.notes == ()
    fuller = replace(
        demo,
        other_fans=(),
        settings=("night", "normal", "boost, all"),
        terminals=tuple(
            replace(
                t, height_m=2.345, damp=True, limit="at least", design_by_setting={"boost, all": 61.5}, branch="a;b"
            )
            for t in demo.terminals
        ),
    )
    assert read(tmp_path, table_csv(fuller, comma)).plan == fuller


def test_letters_that_turn_the_writing_round_are_refused_by_cell_and_right_to_left_words_are_not(
    tmp_path: Path,
) -> None:
    hebrew = "\u05de\u05d8\u05d1\u05d7"
    found = read(tmp_path, HEAD + f"S1,{hebrew},unit,supply,20\n")
    assert found.plan.terminals[0].room == hebrew
    for letter in TURNING:
        words = faults(tmp_path, HEAD + f"S1,a{letter}b,unit,supply,20\n")
        assert (
            f"row 2, column B (room) = 'a\\u{ord(letter):04x}b': holds a letter that turns the writing round" in words
        )


@pytest.mark.parametrize("letter", TURNING)
def test_a_plan_with_such_a_letter_is_refused_with_its_key(letter: str) -> None:
    good = demo_visit_toml()
    for key, old in (("site.name", 'name = "'), ("terminal.1.id", 'id = "'), ("terminal.1.room", 'room = "')):
        table = good.index("[site]" if key.startswith("site") else "[[terminal]]")
        at = good.index(old, table) + len(old)
        with pytest.raises(VisitError, match=f"{key}.*turns the writing round .U.{ord(letter):04X}") as caught:
            parse_plan(good[:at] + letter + good[at:], "visit.toml")
        assert caught.value.key == key
