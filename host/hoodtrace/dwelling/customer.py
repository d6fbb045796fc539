"""Whose dwelling it is, `customer.toml` of a visit's folder: name, address, contact and photos, all of them optional.

It stands outside everything that the journal's chain holds, so that it can be taken away later (`forget`) and the visit
is still the one that was written down. Nothing is read that lies outside the folder, also not through a link.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from hoodtrace.dwelling.journal import JOURNAL, TORN
from hoodtrace.dwelling.visit import HOOD, PLAN, TRACES
from hoodtrace.errors import VisitError

CUSTOMER = "customer.toml"
LARGEST_PHOTO_BYTES = 20_000_000
_LARGEST_BYTES = 1_000_000
_BEGINS = {".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff", ".png": b"\x89PNG\r\n\x1a\n"}
"""How the content of a photo begins, by the end of its name (ITU-T T.81 B.1.1.3; W3C PNG 3rd edition 5.2; memory)."""
_COPY = re.compile(r"\W*customer\W.*toml.*|.*customer\.toml.*", re.IGNORECASE | re.DOTALL)
"""Names of the file itself and of what editors and systems leave of it: ~, .bak, .part, .swp, #...#, "(copy)"."""
_HALVES = ("report.pdf.part", "report.html.part")
"""What a program that was killed leaves of a report: it shows names, and nothing makes it anew."""
_FILE_KEY = re.compile(r"""^\s*file\s*=\s*(?:"([^"\n]*)"|'([^'\n]*)')""", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo: its `file` as named, a path inside the visit's folder, and what is to stand under it."""

    file: str
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Customer:
    """What customer.toml says; empty where it does not say it. The address may have several lines."""

    name: str = ""
    address: str = ""
    contact: str = ""
    photos: tuple[Photo, ...] = ()


def read_customer(folder: Path) -> Customer | None:
    """Return whose dwelling the visit in `folder` is of; None where there is no customer.toml.

    Raises
    ------
    VisitError
        The file can't be read, is not TOML, or a key is at fault: unknown, of another type, or a photo that is not
        there, lies outside the folder, is too large, or is no JPEG or PNG. `key` is the first of them, `photo.1.file`.
    """
    path = folder / CUSTOMER
    if not path.exists() and not path.is_symlink():
        return None
    from hoodtrace.dwelling.customer_keys import CUSTOMER_KEYS
    from hoodtrace.dwelling.plan_keys import faults_in

    keys, faults = faults_in(CUSTOMER_KEYS, _content(path))
    if keys is None:
        raise _refused(path, faults)
    photos = tuple(Photo(**each) for each in keys.get("photo", ()))
    faults = [
        (f"photo.{number}.file", f"= {photo.file!r}: {why}")
        for number, photo in enumerate(photos, 1)
        if (why := _why_not(folder, photo.file))
    ]
    if faults:
        raise _refused(path, faults)
    return Customer(keys.get("name", ""), keys.get("address", ""), keys.get("contact", ""), photos)


def of_customer(folder: Path) -> list[Path]:
    """Return what `forget` would remove, in order: photos, leftovers of customer.toml and of reports, customer.toml.

    Raises
    ------
    VisitError
        The folder can't be read.
    """
    try:
        lying = sorted(path for path in folder.iterdir() if _COPY.fullmatch(path.name) or path.name in _HALVES)
    except OSError as error:
        raise VisitError(folder, f"can't be read ({error.strerror}). Give the folder of a visit.") from error
    names = dict.fromkeys(name for path in lying if path.name not in _HALVES for name in _photos_named(path))
    photos = [photo for photo in (_inside(folder, name) for name in names) if photo is not None]
    there = dict.fromkeys(photo for photo in photos if photo.is_file() or photo.is_symlink())
    return [*there, *sorted(lying, key=lambda path: path.name == CUSTOMER)]


def forget(folder: Path) -> list[Path]:
    """Remove what the visit in `folder` has of its customer; return what went. Nothing is left to do the second time.

    Those are customer.toml, the photos that it names inside the folder, copies that editors left of it, and halves of
    reports that a kill left. Of a link only the link goes. Plan, hood file, traces and journal stay, whatever is named.

    Raises
    ------
    VisitError
        Something can't be removed; all else of it is gone then, customer.toml itself only if all photos are.
    """
    gone: list[Path] = []
    stayed: list[str] = []
    for path in of_customer(folder):
        if stayed and path.name == CUSTOMER:
            continue  # it still names what is to be removed
        try:
            path.unlink(missing_ok=True)
            gone.append(path)
        except OSError as error:
            stayed.append(f"{path.relative_to(folder)} ({error.strerror})")
    if stayed:
        went = f"; {len(gone)} other files of the customer are gone" if gone else ""
        raise VisitError(folder, f"can't be removed: {', '.join(stayed)}{went}. Remove it by hand, then forget again")
    return gone


def _content(path: Path) -> dict[str, Any]:
    if path.is_symlink() or not path.is_file():
        raise VisitError(path, "is no file of its own. Put the file itself into the visit's folder.")
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
        if len(content) > _LARGEST_BYTES:
            raise VisitError(path, f"has more than {_LARGEST_BYTES} bytes. Is it a customer's file?")
        return tomllib.loads(content.decode("utf-8-sig"))
    except OSError as error:
        raise VisitError(path, f"can't be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise VisitError(path, f"is not a text file in UTF-8 (byte {error.start}). Save it as UTF-8.") from error
    except (ValueError, RecursionError) as error:
        raise VisitError(path, f"is not a whole TOML file ({error}). Mend it.") from error


def _refused(path: Path, faults: list[tuple[str, str]]) -> VisitError:
    first = f"key {faults[0][0]} {faults[0][1]}" if faults[0][0] else faults[0][1]
    more = "".join(f"; key {key} {words}" for key, words in faults[1:4])
    more += f"; and {len(faults) - 4} more" if len(faults) > 4 else ""
    return VisitError(path, f"{first}{more}", faults[0][0])


def _inside(folder: Path, name: str) -> Path | None:
    """Return the path of a photo that may be named; None for one outside the folder, behind a link, or of the visit."""
    parts = PurePosixPath(name).parts
    if not parts or "\\" in name or "\0" in name or parts[0] == "/" or ".." in parts or ":" in parts[0]:
        return None
    if parts[0].lower() in (TRACES, PLAN, HOOD, JOURNAL, TORN):
        return None
    if PurePosixPath(name).suffix.lower() not in _BEGINS:
        return None
    path = folder
    for part in parts[:-1]:
        path = path / part
        if path.is_symlink():
            return None
    return path / parts[-1]


def _why_not(folder: Path, name: str) -> str:
    """Return why a file can't be a photo of the visit; empty where it can."""
    path = _inside(folder, name)
    if path is None:
        return f"name a .jpg, .jpeg or .png inside the visit's folder, outside {TRACES}, with / between folders"
    try:
        if path.is_symlink():
            return "is a link: put the file itself into the visit's folder"
        if not path.is_file():
            return "is not there, or is no file"
        size = path.stat().st_size
        with path.open("rb") as file:
            begins = file.read(8)
    except (OSError, ValueError) as error:
        return f"can't be read ({getattr(error, 'strerror', error)})"
    if size > LARGEST_PHOTO_BYTES:
        return f"has {size} bytes, more than {LARGEST_PHOTO_BYTES}: make it smaller"
    if not begins.startswith(_BEGINS[path.suffix.lower()]):
        return f"its content is not that of a {path.suffix.lower()}"
    return ""


def _photos_named(path: Path) -> list[str]:
    """Return the photos that customer.toml or a copy of it names, as far as that can be made out."""
    if path.is_symlink() or not path.is_file():
        return []
    try:
        with path.open("rb") as file:
            text = file.read(_LARGEST_BYTES).decode("utf-8-sig", "replace")
    except OSError:
        return []
    try:
        photos = tomllib.loads(text).get("photo", [])
    except (ValueError, RecursionError):
        return [first or second for first, second in _FILE_KEY.findall(text)]
    named = [each.get("file") for each in photos if isinstance(each, Mapping)] if isinstance(photos, list) else []
    return [name for name in named if isinstance(name, str)]
