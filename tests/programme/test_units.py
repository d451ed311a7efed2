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

from autocell.cli.main import cli

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


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_systemd_finds_no_fault_where_it_is_installed(path: Path) -> None:
    verify = shutil.which("systemd-analyze")
    if verify is not None:
        ended = subprocess.run([verify, "verify", str(path)], capture_output=True, text=True)
        assert (ended.returncode, ended.stderr) == (0, "")
    assert Unit(path).has_section("Unit")
