"""customer.toml: what it may say, what of it is refused, and that `forget` leaves nothing of it and all else.

The first bytes of JPEG and PNG are those of ITU-T T.81 (B.1.1.3) and of the PNG specification (5.2), from memory.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodtrace.dwelling.customer import CUSTOMER, LARGEST_PHOTO_BYTES, Customer, Photo, forget, read_customer
from hoodtrace.dwelling.proof import prove
from hoodtrace.errors import VisitError
from reviewed_visit import made

JPEG, PNG = b"\xff\xd8\xff\xe0rest", b"\x89PNG\r\n\x1a\nrest"
WHOLE = '''name = "Ada \u05d0\u05d1 <b>Example</b>"
address = """7 Alder Row
Exampleton"""
contact = "example@example.org"
[[photo]]
file = "photos/unit.jpg"
caption = "the unit"
[[photo]]
file = "plan.PNG"
'''
links = pytest.mark.skipif(sys.platform == "win32", reason="links need a right there")


def written(folder: Path, text: str = WHOLE) -> Path:
    (folder / "photos").mkdir(parents=True)
    (folder / "photos" / "unit.jpg").write_bytes(JPEG)
    (folder / "plan.PNG").write_bytes(PNG)
    (folder / CUSTOMER).write_text(text, encoding="utf-8")
    return folder


def refused(folder: Path) -> VisitError:
    with pytest.raises(VisitError) as caught:
        read_customer(folder)
    assert caught.value.path == folder / CUSTOMER
    return caught.value


def photo(file: str) -> str:
    return f"[[photo]]\nfile = '{file}'\n"


# ---- reading


def test_no_file_is_no_customer(tmp_path: Path) -> None:
    assert read_customer(tmp_path) is None


def test_all_keys_are_read_as_typed(tmp_path: Path) -> None:
    photos = (Photo("photos/unit.jpg", "the unit"), Photo("plan.PNG"))
    expected = Customer("Ada \u05d0\u05d1 <b>Example</b>", "7 Alder Row\nExampleton", "example@example.org", photos)
    assert read_customer(written(tmp_path / "v")) == expected


def test_every_key_is_optional(tmp_path: Path) -> None:
    assert read_customer(written(tmp_path / "v", "")) == Customer()


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("phone = 'x'", "phone"),
        ("name = 3", "name"),
        ("name = ['x']", "name"),
        (f"name = '{'x' * 1001}'", "name"),
        ('name = "a\\nb"', "name"),
        ('name = "a\\u202eb"', "name"),
        ('address = "a\\n\\u0007"', "address"),
        ("photo = 'unit.jpg'", "photo"),
        ("[[photo]]\ncaption = 'x'", "photo.1.file"),
        ("[[photo]]\nfile = 'photos/unit.jpg'\nsize = 3", "photo.1.size"),
        (photo("photos/unit.jpg") + photo("none.jpg"), "photo.2.file"),
        (photo("../unit.jpg"), "photo.1.file"),
        (photo("photos/../../unit.jpg"), "photo.1.file"),
        (photo("/etc/unit.jpg"), "photo.1.file"),
        (photo("C:/unit.jpg"), "photo.1.file"),
        (photo("photos\\unit.jpg"), "photo.1.file"),
        (photo("traces/unit.jpg"), "photo.1.file"),
        (photo("Traces/unit.jpg"), "photo.1.file"),
        (photo("photos"), "photo.1.file"),
        (photo("photos/unit.gif"), "photo.1.file"),
        (photo("visit.toml"), "photo.1.file"),
        (photo(""), "photo.1.file"),
        (photo("."), "photo.1.file"),
    ],
)
def test_a_key_at_fault_is_named_by_its_path(tmp_path: Path, text: str, key: str) -> None:
    folder = written(tmp_path / "v", text)
    for name in ("traces", "Traces"):
        (folder / name).mkdir(exist_ok=True)
        (folder / name / "unit.jpg").write_bytes(JPEG)  # not refused for not being there
    for name in ("unit.jpg", "v/photos/unit.gif", "v/photos\\unit.jpg"):
        (tmp_path / name).write_bytes(JPEG)
    error = refused(folder)
    assert error.key == key
    assert f"key {key}" in str(error)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.jpg", PNG, "content"),
        ("a.png", JPEG, "content"),
        ("a.jpeg", b"", "content"),
        ("a.jpg", b"<script>", "content"),
        ("a.jpg", JPEG + bytes(LARGEST_PHOTO_BYTES), "bytes"),
    ],
)
def test_a_photo_is_told_by_its_content_and_size(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    folder = written(tmp_path / "v", photo(name))
    (folder / name).write_bytes(content)
    assert words in str(refused(folder))


def test_the_largest_photo_is_taken(tmp_path: Path) -> None:
    folder = written(tmp_path / "v", photo("a.jpg"))
    (folder / "a.jpg").write_bytes(JPEG + bytes(LARGEST_PHOTO_BYTES - len(JPEG)))
    assert read_customer(folder) == Customer(photos=(Photo("a.jpg"),))


@links
def test_no_link_is_followed(tmp_path: Path) -> None:
    folder = written(tmp_path / "v", photo("link.jpg") + photo("out/b.jpg"))
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "b.jpg").write_bytes(JPEG)
    (folder / "link.jpg").symlink_to(tmp_path / "out" / "b.jpg")
    (folder / "out").symlink_to(tmp_path / "out")
    error = str(refused(folder))
    assert "photo.1.file" in error
    assert "photo.2.file" in error
    (folder / CUSTOMER).unlink()
    (tmp_path / CUSTOMER).write_text("", encoding="utf-8")
    (folder / CUSTOMER).symlink_to(tmp_path / CUSTOMER)
    refused(folder)


@settings(max_examples=200)
@given(content=st.one_of(
    st.binary(max_size=300),
    st.lists(st.sampled_from(
        [b"name = ", b"address = ", b"[[photo]]\n", b"[photo]\n", b"file = ", b"caption = ", b'"a.jpg"', b"'x'", b"1",
         b"\n", b"[", b"]", b"{", b"}", b"nan", b'"""', b"\xff", b"\x00", b'"\\u0000.jpg"', b'"a/./../b.png"']
    ), max_size=12).map(b"".join),
))  # fmt: skip
def test_any_bytes_are_read_or_refused_and_forgotten(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    folder = tmp_path_factory.mktemp("v")
    (folder / CUSTOMER).write_bytes(content)
    with contextlib.suppress(VisitError):
        assert isinstance(read_customer(folder), Customer)
    assert forget(folder) == [folder / CUSTOMER]
    assert list(folder.iterdir()) == []


# ---- forgetting


def test_all_of_the_customer_goes_and_the_visit_is_unchanged(tmp_path: Path) -> None:
    folder = made(tmp_path / "v")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    proof = prove(folder)
    (folder / "photos").mkdir()
    (folder / "photos" / "unit.jpg").write_bytes(JPEG)
    (folder / "photos" / "old.jpg").write_bytes(JPEG)
    (folder / "plan.PNG").write_bytes(PNG)
    (folder / CUSTOMER).write_text(WHOLE, encoding="utf-8")
    assert prove(folder) == proof
    left = ["customer.toml~", "customer.toml.bak", "customer.toml.part", ".customer.toml.swp", "#customer.toml#"]
    left += ["customer (copy).toml", "Customer.toml.orig"]
    for name in left:
        (folder / name).write_text(photo("photos/old.jpg"), encoding="utf-8")
    for name in ("customers.txt", "photo of customer.jpg"):
        (folder / name).write_text("not ours to take", encoding="utf-8")
    gone = forget(folder)
    assert {path.name for path in gone} == {"unit.jpg", "old.jpg", "plan.PNG", CUSTOMER, *left}
    assert gone[-1] == folder / CUSTOMER
    there = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert there == before | {folder / name: b"not ours to take" for name in ("customers.txt", "photo of customer.jpg")}
    assert prove(folder) == proof
    assert forget(folder) == []


@pytest.mark.parametrize("head", ["", "name = 'cut off\n"])
def test_only_photos_inside_the_folder_go_whatever_is_named(tmp_path: Path, head: str) -> None:
    """Also where the file is no TOML any more and its photos are told by its lines."""
    folder = made(tmp_path / "v")
    kept = ["visit.toml", "hood.toml", "journal.jsonl", "traces/01.trace", "traces/a.jpg", "../b.jpg", "notes.txt"]
    for name in ("traces/a.jpg", "../b.jpg", "notes.txt"):
        (folder / name).write_bytes(JPEG)
    (folder / "own.jpg").write_bytes(JPEG)
    names = [*kept, str(tmp_path / "b.jpg"), "own.jpg"]
    (folder / CUSTOMER).write_text(head + "".join(photo(name) for name in names), encoding="utf-8")
    assert forget(folder) == [folder / "own.jpg", folder / CUSTOMER]
    assert all((folder / name).is_file() for name in kept)


@links
def test_of_a_link_only_the_link_goes(tmp_path: Path) -> None:
    folder = written(tmp_path / "v", photo("link.jpg") + photo("out/b.jpg"))
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "b.jpg").write_bytes(JPEG)
    (folder / "link.jpg").symlink_to(tmp_path / "out" / "b.jpg")
    (folder / "out").symlink_to(tmp_path / "out")
    (folder / ".#customer.toml").symlink_to("someone@here.1234")
    assert {path.name for path in forget(folder)} == {"link.jpg", ".#customer.toml", CUSTOMER}
    assert (tmp_path / "out" / "b.jpg").is_file()


def test_what_cant_be_removed_is_named_and_all_else_is_gone(tmp_path: Path) -> None:
    folder = written(tmp_path / "v")
    (folder / "customer.toml.bak").mkdir()
    with pytest.raises(VisitError, match=r"customer\.toml\.bak") as caught:
        forget(folder)
    assert "3 other files" not in str(caught.value)
    assert sorted(path.name for path in folder.rglob("*") if path.is_file()) == [CUSTOMER]
    (folder / "customer.toml.bak").rmdir()
    assert forget(folder) == [folder / CUSTOMER]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="needs a user who may not do all")
def test_a_photo_that_may_not_be_removed_keeps_the_file_that_names_it(tmp_path: Path) -> None:
    folder = written(tmp_path / "v")
    (folder / "photos").chmod(0o500)
    try:
        with pytest.raises(VisitError, match=r"photos.unit\.jpg"):
            forget(folder)
    finally:
        (folder / "photos").chmod(0o700)
    assert (folder / CUSTOMER).is_file()
    assert (folder / "photos" / "unit.jpg").is_file()
    assert not (folder / "plan.PNG").exists()


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(VisitError):
        forget(tmp_path / "none")
