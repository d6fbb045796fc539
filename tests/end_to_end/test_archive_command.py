"""`hoodtrace archive` as people give it: whole commands, several processes, dask's workers, kills, full disks.

Contract: archives made in different ways are compared byte for byte.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import many_visits
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, make_trace

COMMAND = str(Path(sys.executable).with_name("hoodtrace.exe" if sys.platform == "win32" else "hoodtrace"))
N_VISITS = 6
CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


def run(*words: object, code: int = 0, **more: Any) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [COMMAND, "archive", *map(str, words)], capture_output=True, text=True, timeout=120, check=False, **more
    )
    assert done.returncode == code, done.stderr
    return done


def content(archive: Path) -> dict[str, bytes]:
    return {str(path.relative_to(archive)): path.read_bytes() for path in archive.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Visits of different length, with traces of several holds."""
    home = tmp_path_factory.mktemp("home")
    rng = np.random.default_rng(20300103)
    for number in range(N_VISITS):
        scenes: list[Hold | Free] = [Free(4, "hang")]
        for _ in range(2 + 2 * number):
            scenes += [Hold((Plateau(rng.uniform(20, 80), 15.0, Fluctuation("ou", 0.06, 0.5)),)), Free(5, "hang")]
        trace = home / f"{number}.trace"
        trace.write_bytes(make_trace(Spec(tuple(scenes), Hood()), number)[0])
        many_visits.make(home / "visits" / f"{number}", rng, number, trace=trace)
    return home / "visits"


@pytest.fixture(scope="module")
def reference(visits: Path) -> dict[str, bytes]:
    """The archive that one process makes."""
    to = visits.parent / "reference"
    said = run(visits, "--to", to, "--samples", "--jobs", 1).stdout
    assert f"{N_VISITS} visits, " in said
    return content(to)


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """The address of a scheduler with two workers, which know nothing of this process."""
    pytest.importorskip("distributed")
    with subprocess.Popen(
        [sys.executable, "-c", CLUSTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True, start_new_session=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdin is not None
        yield process.stdout.readline().strip()
        process.stdin.close()
        process.wait(30)


def test_two_processes_give_the_same_to_the_last_bit(visits: Path, reference: dict[str, bytes], tmp_path: Path) -> None:
    run(visits, "--to", tmp_path / "a", "--samples", "--jobs", 2)
    assert content(tmp_path / "a") == reference


def test_daskworkers_give_the_same_to_the_last_bit(
    visits: Path, reference: dict[str, bytes], tmp_path: Path, cluster: str
) -> None:
    said = run(visits, "--to", tmp_path / "a", "--samples", "--scheduler", cluster)
    assert said.stderr == ""
    assert content(tmp_path / "a") == reference
    again = run(visits, "--to", tmp_path / "a", "--samples", "--scheduler", cluster, "--again").stdout
    assert f"{N_VISITS} visits read" in again
    assert content(tmp_path / "a") == reference


@pytest.mark.parametrize("jobs", [1, 2])
def test_killed_and_given_again_it_is_the_same(
    visits: Path, reference: dict[str, bytes], tmp_path: Path, jobs: int
) -> None:
    words = [COMMAND, "archive", str(visits), "--to", str(tmp_path / "a"), "--samples", "--jobs", str(jobs)]
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    parts = tmp_path / "a" / "parts"
    until_s = time.monotonic() + 60.0
    while len(whole(parts)) < 2 and process.poll() is None and time.monotonic() < until_s:
        time.sleep(0.001)
    workers = children(process.pid)
    process.kill()  # that process alone: its workers have to notice
    process.wait()
    n_done = len(whole(parts))
    assert n_done >= 2
    (parts / f"{'a' * 20}.part.part").write_bytes(b"half")
    said = run(visits, "--to", tmp_path / "a", "--samples", "--jobs", 2).stdout
    assert f"{N_VISITS - n_done} visits read" in said
    assert content(tmp_path / "a") == reference
    while any(alive(pid) for pid in workers) and time.monotonic() < until_s:
        time.sleep(0.01)
    assert not any(alive(pid) for pid in workers)


def test_reading_all_again_goes_on_after_a_kill(visits: Path, reference: dict[str, bytes], tmp_path: Path) -> None:
    shutil.copytree(visits.parent / "reference", tmp_path / "a")
    words = [COMMAND, "archive", str(visits), "--to", str(tmp_path / "a"), "--samples", "--jobs", "1", "--again"]
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    parts, until_s = tmp_path / "a" / "parts", time.monotonic() + 60.0
    while not ((parts / "again").exists() and len(whole(parts)) >= 2) and time.monotonic() < until_s:
        time.sleep(0.001)
    process.kill()
    process.wait()
    n_done = len(whole(parts))
    tables = {name: text for name, text in content(tmp_path / "a").items() if name.endswith(".parquet")}
    assert tables == {name: text for name, text in reference.items() if name.endswith(".parquet")}
    done = run(visits, "--to", tmp_path / "a", "--samples", "--again")
    assert "going on" in done.stderr
    assert f"{N_VISITS - n_done} visits read" in done.stdout
    assert content(tmp_path / "a") == reference
    assert f"{N_VISITS} visits read" in run(visits, "--to", tmp_path / "a", "--samples", "--again").stdout


def whole(parts: Path) -> list[Path]:
    """The parts that are there, without what a kill left half written."""
    return [path for path in parts.glob("*.part") if path.name.count(".") == 1]


def children(pid: int) -> list[int]:
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def alive(pid: int) -> bool:
    """Whether a process is there and does something; one that waits to be collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_two_at_once_do_not_mix(visits: Path, reference: dict[str, bytes], tmp_path: Path) -> None:
    words = [COMMAND, "archive", str(visits), "--to", str(tmp_path / "a"), "--samples", "--jobs", "1"]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as first:
        while not (tmp_path / "a" / "parts" / "lock").exists() and first.poll() is None:
            time.sleep(0.001)
        time.sleep(0.05)
        second = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert first.returncode == 0
    assert second.returncode == 4
    assert "another hoodtrace archive is at work" in second.stderr
    assert content(tmp_path / "a") == reference


def test_a_disk_that_takes_no_more_says_so_and_what_is_there_is_whole(
    visits: Path, reference: dict[str, bytes], tmp_path: Path
) -> None:
    def small() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))

    done = run(visits, "--to", tmp_path / "a", "--samples", "--jobs", 1, code=4, preexec_fn=small)
    assert "can't be written" in done.stderr
    assert "--to" in done.stderr
    assert "Traceback" not in done.stderr
    run(visits, "--to", tmp_path / "a", "--samples")
    assert content(tmp_path / "a") == reference
    run(visits, "--to", tmp_path / "a" / "hoodtrace-archive.json" / "b", code=4)


def test_a_full_disk_leaves_nothing_that_is_in_the_way(
    visits: Path, reference: dict[str, bytes], tmp_path: Path
) -> None:
    def none() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))

    run(visits, "--to", tmp_path / "a", "--samples", "--jobs", 1, code=4, preexec_fn=none)
    run(visits, "--to", tmp_path / "a", "--samples", "--jobs", 1)
    assert content(tmp_path / "a") == reference


@pytest.mark.parametrize("jobs", [1, 2])
def test_no_room_for_temporary_files_is_not_the_visits_fault(
    visits: Path, reference: dict[str, bytes], tmp_path: Path, jobs: int
) -> None:
    """Nothing may go from the archive. 120 bytes are enough for its mark, not for the copy of a plan."""

    def small() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (120, 120))

    shutil.copytree(visits.parent / "reference", tmp_path / "a")
    words = visits, "--to", tmp_path / "a", "--samples", "--jobs", jobs
    said = run(*words, "--again", code=4, preexec_fn=small).stderr
    assert "can't be copied there" in said
    assert "Traceback" not in said
    assert (tmp_path / "a/visits/visits.parquet").read_bytes() == reference["visits/visits.parquet"]
    run(*words)
    assert content(tmp_path / "a") == reference


def test_an_endless_answer_can_be_read_from_its_beginning(visits: Path, reference: dict[str, bytes]) -> None:
    words = [COMMAND, "archive", "ask", str(visits.parent / "reference"), "select i from range(1000000000000) t(i)"]
    with subprocess.Popen([*words, "--format", "csv"], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        late = threading.Timer(30.0, process.kill)
        late.start()
        try:
            assert [process.stdout.readline() for _ in range(3)] == [b"i\n", b"0\n", b"1\n"]
            process.stdout.close()
            assert process.stderr.read() == b""
            assert process.wait() >= 0  # not killed
        finally:
            late.cancel()
            process.kill()


def test_a_question_that_is_broken_off_ends_quietly(visits: Path, reference: dict[str, bytes]) -> None:
    sql = "select sum(a.i * b.i) from range(10000000) a(i), range(10000000) b(i)"
    words = ["archive", "ask", str(visits.parent / "reference"), sql]
    code = "import sys, threading, os, signal\nfrom hoodtrace.cli.app import main\n"
    code += f"sys.argv[1:] = {words!r}\n"
    code += "import duckdb, hoodtrace.archive.ask\n"
    code += "threading.Timer(1.5, os.kill, (os.getpid(), signal.SIGINT)).start()\nmain()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_where_dask_is_missing_or_nobody_answers_it_says_what_to_do(visits: Path, tmp_path: Path) -> None:
    without = "import sys\nsys.modules['distributed'] = None\nfrom hoodtrace.cli.app import main\nmain()"
    argv = [
        sys.executable,
        "-c",
        without,
        "archive",
        str(visits),
        "--to",
        str(tmp_path / "a"),
        "--scheduler",
        "tcp://x",
    ]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert ".[archive]" in done.stderr
    for address in ("nonsense", "tcp://127.0.0.1", "tcp://127.0.0.1:1", "tcp://:x"):
        done = run(visits, "--to", tmp_path / "a", "--scheduler", address, code=2)
        assert "no scheduler of dask answers" in done.stderr
        assert "Traceback" not in done.stderr
    assert "one of them" in run(visits, "--scheduler", "tcp://x", "--jobs", 1, code=2).stderr


SHUT = """
import os, sys
from typer.testing import CliRunner
from hoodtrace.cli.app import app
home, to, shut = sys.argv[1:]
words = ["archive", home, "--to", to, "--jobs", "1"]
CliRunner().invoke(app, words)  # all that is needed later is loaded now
os.chmod(shut, 0)
for folder, _, names in os.walk(to):
    for name in (folder, *(os.path.join(folder, name) for name in names)):
        os.chmod(name, 0o777)
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
done = CliRunner().invoke(app, words)
print(done.stderr, done.stdout, done.exception)
"""


@pytest.mark.parametrize("shut", ["deep", "deep/3/journal.jsonl", "deep/3/traces/01.trace"])
def test_what_may_not_be_read_is_named_and_nothing_is_removed(visits: Path, shut: str) -> None:
    """As another user, since nothing is forbidden to root."""
    home = Path(tempfile.mkdtemp())
    try:
        shutil.copytree(visits / "1", home / "v" / "1")
        shutil.copytree(visits / "3", home / "v" / "deep" / "3")
        os.chmod(home, 0o755)
        argv = [sys.executable, "-c", SHUT, str(home / "v"), str(home / "to"), str(home / "v" / shut)]
        done = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=True)
        os.chmod(home / "v" / shut, 0o755)
        assert "ermission denied" in done.stdout, done.stdout
        assert "could not be used" in done.stdout
        assert "2 visits, " in done.stdout
        assert ("nothing was removed" in done.stdout) == (not shut.endswith(".trace"))
    finally:
        os.chmod(home / "v" / shut, 0o755)
        shutil.rmtree(home)


def test_words_of_the_command(visits: Path, reference: dict[str, bytes], tmp_path: Path) -> None:
    archive = visits.parent / "reference"
    asked = run("ask", archive, "select count(*) as n from visits", "--format", "json")
    assert json.loads(asked.stdout) == {"columns": ["n"], "rows": [{"n": N_VISITS}]}
    assert run("ask", archive, "--ready", "climbs").stdout.startswith("n_terminals")
    assert "hood-history" in run("ask", "--list").stdout
    shutil.copytree(visits / "1", tmp_path / "ask" / "1")
    assert "no archive" in run("ask", "select 1", code=2, cwd=tmp_path).stderr
    assert "1 visits, " in run("./ask", cwd=tmp_path).stdout
    assert "1 visits, " in run("--jobs", 1, "ask", cwd=tmp_path).stdout
    assert "./ask" in run("--help").stdout
    for words in (["ask", str(archive), "copy (select 1) to 'a.csv'"], ["ask", str(archive), "select"], ["ask"]):
        done = run(*words, code=2, cwd=tmp_path)
        assert done.stdout == ""
        assert len(done.stderr.splitlines()) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["ask"]
    assert content(archive) == reference
    run(tmp_path / "nowhere", code=4)
    (tmp_path / "empty").mkdir()
    assert "holds no visit" in run(tmp_path / "empty", code=4).stderr
    assert "no archive" in run(visits, "--to", tmp_path, code=2).stderr


def test_nothing_heavy_is_loaded_before_it_is_needed() -> None:
    code = "import sys, hoodtrace.cli.app as a; print([m for m in ('duckdb', 'pyarrow', 'numpy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "[]"
