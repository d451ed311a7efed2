"""A driver of somebody else's: built, installed, listed, and opened by the bench file's word."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from autocell.bench.file import shipped

pytestmark = pytest.mark.thorough

PACKAGE = Path(__file__).parent / "example_package"


class Stage:
    """The stage's end of the wire; its moves are over at once."""

    def __init__(self):
        self.at = dict.fromkeys("ABCDE", "0.0")

    def __call__(self, line):
        match line.decode().split():
            case ["WHO"]:
                yield b"STAGE 77\n"
            case ["AT", letter] if letter in self.at:
                yield f"AT {letter} {self.at[letter]}\n".encode()
            case ["BUSY", letter] if letter in self.at:
                yield f"BUSY {letter} 0\n".encode()
            case ["GO", letter, target] if letter in self.at:
                self.at[letter] = target
                yield b"DONE\n"
            case ["HALT", _]:
                yield b"DONE\n"
            case _:
                yield b"NO IDEA\n"


def meter(line):
    """A power meter that takes any setting."""
    question = line.decode()
    answers = {
        "*IDN?": "BOG,POWER-METER,7,1.0",
        "SYST:ERR?": '0,"No error"',
        "READ?": "1.000E-03",
        "SENS:POW:WAV?": "1654",
        "SENS:POW:RANG?": "1E-2",
        "SENS:AVER:COUN?": "50",
    }
    if question in answers:
        yield answers[question].encode() + b"\n"


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """A folder with the package in it, installed as its users would, but from no registry."""
    folder = tmp_path_factory.mktemp("site")
    wheels = tmp_path_factory.mktemp("wheels")
    source = tmp_path_factory.mktemp("source") / "example-stage"
    for path in PACKAGE.rglob("*"):
        if path.suffix in (".py", ".toml"):
            (source / path.relative_to(PACKAGE)).parent.mkdir(parents=True, exist_ok=True)
            (source / path.relative_to(PACKAGE)).write_bytes(path.read_bytes())
    run = {"check": True, "capture_output": True}
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", wheels]
    subprocess.run(build, cwd=source, **run)
    (wheel,) = wheels.iterdir()
    install = [sys.executable, "-m", "pip", "install", "--no-index", "--no-deps", "-q"]
    subprocess.run([*install, "--target", folder, wheel], **run)
    return folder


@pytest.fixture
def spoilt_site(site, tmp_path):
    """The same folder with two packages more: one cannot be imported, one takes a taken name."""
    spoilt = shutil.copytree(site, tmp_path / "spoilt")
    for name, driver, code in (
        ("broken", "broken", "import no_such_vendor_library"),
        ("twice", "example-stage", "x = 1"),
    ):
        (spoilt / f"{name}_driver.py").write_text(code, "utf-8")
        info = spoilt / f"{name}-0.1.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 0.1\n")
        (info / "entry_points.txt").write_text(
            f"[autocell.drivers]\n{driver} = {name}_driver:open_device\n"
        )
    return spoilt


@pytest.fixture
def python(site, tmp_path):
    """Python with the package installed beside it."""

    def run(*arguments, site=site):
        environment = {
            **os.environ,
            "PYTHONPATH": str(site),
            "AUTOCELL_STORE": str(tmp_path / "runs.sqlite"),
        }
        return subprocess.run(
            [sys.executable, *map(str, arguments)],
            env=environment,
            cwd=tmp_path,
            capture_output=True,
            encoding="utf-8",
            timeout=400,
        )

    return run


@pytest.fixture
def autocell(python):
    """The command line."""

    def run(*arguments, **where):
        ended = python("-m", "autocell.cli", *arguments, **where)
        assert "Traceback" not in ended.stderr
        return ended

    return run


@pytest.fixture
def conformance(python, serve, tmp_path):
    """The published suite, as the authors of a driver run it."""

    def run(*arguments):
        stage = serve("pty", Stage())
        path = bench_file(tmp_path, stage.address, serve("visa-socket", meter).address)
        suite = ("--pyargs", "autocell_drivers.conformance.suite", "--bench", path)
        return python("-m", "pytest", "-q", "-p", "no:cacheprovider", *suite, *arguments)

    return run


def bench_file(folder, stage_address, meter_address):
    """The shipped bench with its axes on the example stage."""
    text = shipped("peat-bog").read_text("utf-8")
    text = text.replace("driver: ascii-motion", "driver: example-stage")
    text = text.replace("/dev/ttyUSB0", stage_address)
    text = text.replace("    dialect: plain-motion.yaml     # beside this file\n", "")
    text = text.replace("identity: PLAIN-MOTION", "identity: STAGE 77")
    text = text.replace("TCPIP::192.0.2.10::5025::SOCKET", meter_address)
    for number, letter in enumerate("ABCDE", start=1):
        text = text.replace(f"    device: motion\n    channel: {number}\n", "    device: motion\n"
                            f"    channel: {letter}\n")  # fmt: skip
    before, _, after = text.partition("shutter:")
    path = folder / "bench.yaml"
    path.write_text(before + after[after.index("caps:") :], "utf-8")
    return path


def test_drivers_lists_ours_and_theirs(autocell):
    ended = autocell("drivers", "--json")
    assert ended.returncode == 0
    listed = {driver["name"]: driver for driver in json.loads(ended.stdout)["drivers"]}
    assert {"ascii-motion", "scpi-power-meter"} <= set(listed)
    theirs = listed["example-stage"]
    assert (theirs["package"], theirs["version"]) == ("example-stage", "3.1")
    assert theirs["module"] == "example_stage:open_device"
    assert "nobody has ever built" in theirs["about"]
    assert theirs["problem"] is None
    told = autocell("drivers")
    assert told.returncode == 0
    assert "example-stage 3.1" in told.stdout


def test_their_stage_opens_by_the_word_of_the_bench_file(autocell, serve, tmp_path):
    stage = serve("pty", Stage())
    path = bench_file(tmp_path, stage.address, serve("visa-socket", meter).address)
    ended = autocell("check", "--bench", path, "--json")
    checks = json.loads(ended.stdout)
    assert ended.returncode == 0, ended.stdout
    assert checks["ok"]
    assert {"what": "device motion", "mark": "pass", "found": "STAGE 77"} in checks["checks"]
    assert stage.lines[0] == b"WHO"
    assert not any(line.startswith(b"GO") for line in stage.lines)


def test_their_driver_passes_the_published_suite(conformance):
    ended = conformance()
    assert ended.returncode == 0, ended.stdout
    assert re.search(r"^22 passed, 3 skipped", ended.stdout, re.MULTILINE)


def test_published_suite_finds_what_is_wrong_with_a_driver(conformance, site):
    mistakes = {
        "if not math.isfinite(target):": "if False:",
        "self._exchange.once(codec.go": "pass; (codec.go",
        "self._exchange.urgent(codec.halt": "(lambda *_, **__: None)(codec.halt",
    }
    module = site / "example_stage" / "__init__.py"
    right = wrong = module.read_text("utf-8")
    for good, bad in mistakes.items():
        assert right.count(good) == 1
        wrong = wrong.replace(good, bad)
    module.write_text(wrong, "utf-8")
    try:
        ended = conformance("-k", "leaves or where_it_was_sent_and_back or silence or steady")
    finally:
        module.write_text(right, "utf-8")
    assert ended.returncode == 1, ended.stdout
    failed = set(re.findall(r"^FAILED .*::(\w+)", ended.stdout, re.MULTILINE))
    assert failed == {
        "test_target_that_is_no_number_is_refused_before_a_byte_leaves",
        "test_small_move_ends_where_it_was_sent_and_back",
        "test_silence_ends_at_the_computed_deadline_as_an_error_in_words",
        "test_stop_leaves_in_time_in_every_state",
    }


def test_package_that_is_broken_or_there_twice_is_named_with_its_cure(autocell, spoilt_site):
    ended = autocell("drivers", "--json", site=spoilt_site)
    listed = json.loads(ended.stdout)["drivers"]
    problems = {driver["name"]: driver["problem"] for driver in listed if driver["problem"]}
    assert ended.returncode == 5
    assert set(problems) == {"broken", "example-stage"}
    assert "no_such_vendor_library" in problems["broken"]
    assert "two packages" in problems["example-stage"]


def test_bench_file_that_names_a_broken_driver_is_refused_with_its_cure(
    autocell, spoilt_site, tmp_path
):
    path = bench_file(tmp_path, "/dev/none", "/dev/none")
    path.write_text(path.read_text("utf-8").replace("driver: example-stage", "driver: broken"))
    ended = autocell("check", "--bench", path, site=spoilt_site)
    assert ended.returncode == 2
    assert "no_such_vendor_library" in ended.stderr
    assert "autocell drivers" in ended.stderr
