"""The units for systemd and the line for cron name commands and options that exist."""

from __future__ import annotations

import configparser
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import click
import pytest
import yaml

from autocell.cli.main import cli
from autocell.cli.run import _TOLD_TO_END
from autocell.programme.programme import load
from autocell.programme.watch import _LAST_WORDS_S, notices_folder
from autocell.session.mornings import morning_folder
from autocell.session.stops import _STOP_S

FOLDER = Path(__file__).parents[2] / "configs" / "systemd"
SERVICES = sorted(FOLDER.glob("*.service"))
UNITS = sorted([*SERVICES, *FOLDER.glob("*.timer")])


class Unit(configparser.RawConfigParser):
    """A unit file: its keys keep their case, and may stand more than once."""

    def __init__(self, path: Path) -> None:
        super().__init__(strict=False, delimiters=("=",), comment_prefixes=("#",))
        self.read(path, encoding="utf-8")

    def optionxform(self, optionstr: str) -> str:
        return optionstr


def writable(path: Path) -> list[Path]:
    """The folders that a service may write to, by its unit."""
    lines = re.findall(r"^ReadWritePaths=-?(.+)$", path.read_text("utf-8"), re.M)
    service = Unit(path)["Service"]
    assert service["ProtectSystem"] == "strict"
    return [
        *map(Path, lines),
        Path("/var/lib") / service["StateDirectory"],
        Path("/var/cache") / service["CacheDirectory"],
    ]


def settings(path: Path) -> dict[str, str]:
    """The environment that a unit gives its service."""
    text = " ".join(re.findall(r"^Environment=(.+)$", path.read_text("utf-8"), re.M))
    return dict(each.split("=", 1) for each in shlex.split(text))


def parse(command: str) -> None:
    """Raises click's UsageError for what the command line does not know."""
    words = shlex.split(command)
    arguments = words[[Path(word).name for word in words].index("autocell") + 1 :]
    found = cli.get_command(click.Context(cli), arguments[0])
    assert found is not None
    found.make_parser(click.Context(found)).parse_args(arguments[1:])


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_a_service_calls_a_command_that_exists(path: Path) -> None:
    parse(Unit(path)["Service"]["ExecStart"])


def test_the_line_for_cron_calls_a_command_that_exists() -> None:
    (line,) = re.findall(
        r"^0 22 \* \* \*  (.*?) >>", (FOLDER / "autocell.crontab").read_text(), re.M
    )
    parse(line)


def test_the_service_is_watched_and_not_started_again_after_a_stop() -> None:
    service = Unit(FOLDER / "autocell.service")["Service"]
    assert service["Type"] == "notify"
    assert service["WatchdogSec"] == "15min"
    # the exit codes of the README: wrong files, and held, as also after a stop
    assert service["RestartPreventExitStatus"].split() == ["2", "4"]


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_a_service_may_write_wherever_a_programme_writes(path: Path) -> None:
    programme = load(FOLDER.parent / "peat-bog-nights.yaml")
    folders, told = writable(path), settings(path)
    store = Path(told["AUTOCELL_STORE"])
    written = [
        store,
        store.with_name(f"{store.name}-wal"),
        store.parent / "reports" / "a run.html",
        store.parent / "errors" / "a night.log",
        notices_folder(store, programme),
        morning_folder(store, programme.bench),
        Path(told["NUMBA_CACHE_DIR"]),
        Path(told["MPLCONFIGDIR"]),
        Path("/tmp/of a hook"),
    ]
    text = (FOLDER.parents[1] / "docs" / "unattended.md").read_text("utf-8")
    (example,) = re.findall(r"```yaml\n(notices:\n.*?)```", text, re.S)
    notices = yaml.safe_load(example)["notices"]
    written += [Path(notices["heartbeat_file"]), Path(notices["metrics_file"])]
    for file in written:
        assert any(file.is_relative_to(folder) for folder in folders), file


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_a_service_that_is_stopped_has_the_time_to_and_has_not_failed(path: Path) -> None:
    service = Unit(path)["Service"]
    assert int(service["SuccessExitStatus"]) == _TOLD_TO_END
    assert service["KillMode"] == "mixed", "a hook is ended by who called it"
    (minutes,) = re.fullmatch(r"(\d+)min", service["TimeoutStopSec"]).groups()  # type: ignore[union-attr]
    # what is under way is halted, then every axis is told to stop; then notices are on their way
    assert 2.0 * _STOP_S + _LAST_WORDS_S <= 60.0 * int(minutes) <= 300.0


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_systemd_finds_no_fault_where_it_is_installed(path: Path) -> None:
    verify = shutil.which("systemd-analyze")
    if verify is not None:
        ended = subprocess.run([verify, "verify", str(path)], capture_output=True, text=True)
        assert (ended.returncode, ended.stderr) == (0, "")
    assert Unit(path).has_section("Unit")
