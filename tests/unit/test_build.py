"""The build of a firmware and the refusal of a board that tells another one."""

from __future__ import annotations

import json

import pytest

from hoodtrace.board.build import build_of, check_build, firmware_files, firmware_version
from hoodtrace.board.firmware_files import firmware_folder
from hoodtrace.board.install import fit, n_blocks_needed
from hoodtrace.errors import LinkError, LinkReason

# What `printf 'a.py\0x = 1\n\0b.py\0\0' | sha256sum` prints (GNU coreutils; seen).
TWO_FILES = {"b.py": b"", "a.py": b"x = 1\n"}
TWO_FILES_BUILD = "f23fa9c87dfcb9dc"


def test_build_is_the_hash_of_names_and_contents_in_order() -> None:
    assert build_of(TWO_FILES) == TWO_FILES_BUILD
    assert build_of(dict(reversed(TWO_FILES.items()))) == TWO_FILES_BUILD


@pytest.mark.parametrize(
    "files",
    [
        {"b.py": b"", "a.py": b"x = 2\n"},  # one byte
        {"c.py": b"", "a.py": b"x = 1\n"},  # one name
        {"a.py": b"x = 1\n"},  # one file fewer
        {"a.py": b"", "b.py": b"x = 1\n"},  # contents changed places
    ],
)
def test_anything_else_is_another_build(files: dict[str, bytes]) -> None:
    assert build_of(files) != TWO_FILES_BUILD


def test_the_files_are_those_of_package_json_and_none_is_left_out() -> None:
    package = json.loads((firmware_folder() / "package.json").read_text())
    assert dict(package["urls"]) == {p.name: p.name for p in firmware_folder().glob("*.py")}
    assert firmware_files() == {p.name: p.read_bytes() for p in firmware_folder().glob("*.py")}
    assert firmware_version() == package["version"]
    # Never shipped: what starts before us, and what the board writes itself.
    assert not set(firmware_files()) & {"boot.py", "settings.json", "crash.txt", "manifest.json", "maintain"}


def test_a_board_with_our_build_or_without_one_passes() -> None:
    check_build({"build": build_of(firmware_files()), "firmware": "9.9"}, "/dev/x")
    check_build({"firmware": "0.1.0"}, "/dev/x")


def test_another_build_is_refused_with_both_and_what_to_do() -> None:
    with pytest.raises(LinkError) as caught:
        check_build({"build": TWO_FILES_BUILD, "firmware": "9.9"}, "/dev/x")
    assert caught.value.reason is LinkReason.OTHER_FIRMWARE
    assert caught.value.exit_code == 3
    told = ("/dev/x", "9.9", TWO_FILES_BUILD, firmware_version(), build_of(firmware_files()))
    for word in (*told, "`hoodtrace install`", "--any-firmware"):
        assert word in str(caught.value)


# The oldest version that the wiring page names, 1.26.1; CircuitPython tells its own name.
@pytest.mark.parametrize(
    ("name", "platform", "version", "word"),
    [
        ("micropython", "rp2", (1, 26, 0), "1.26.0 is older than 1.26.1"),
        ("micropython", "esp32", (1, 9, 4), "1.9.4 is older"),
        ("micropython", "esp8266", (1, 29, 0), "for esp8266"),
        ("circuitpython", "rp2", (9, 2, 1), "circuitpython 9.2.1"),
    ],
)
def test_a_micropython_that_can_not_run_it_is_told(
    name: str, platform: str, version: tuple[int, int, int], word: str
) -> None:
    assert word in str(fit(name, platform, version))


@pytest.mark.parametrize("version", [(1, 26, 1), (1, 27, 0), (1, 100, 0), (2, 0, 0)])
@pytest.mark.parametrize("platform", ["rp2", "esp32"])
def test_a_newer_one_will_do(platform: str, version: tuple[int, int, int]) -> None:
    assert fit("micropython", platform, version) is None


def test_room_is_counted_in_whole_blocks_and_for_two_versions_of_a_file() -> None:
    files = {"a.py": bytes(4096), "b.py": bytes(4097), "c.py": bytes(9000)}
    spare = n_blocks_needed({}, (), {}, 4096)
    # By hand: 1 + 2 + 3 blocks, and 3 more while c.py lies there twice.
    assert n_blocks_needed(files, ("a.py", "b.py", "c.py"), {}, 4096) - spare == 1 + 2 + 3 + 3
    # c.py grows from two blocks to three; a.py shrinks, which gives nothing back beforehand.
    assert n_blocks_needed(files, ("a.py", "c.py"), {"a.py": 9000, "c.py": 5000}, 4096) - spare == 1 + 3
