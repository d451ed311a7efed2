"""The command ``autocell``: its commands, and the one place where errors become sentences.

Exit codes: 0 unchanged, reached or recovered (and for commands that only look: all is well);
2 wrong usage or bench file; 3 degraded; 4 held; 5 failed.

What a command needs beyond click is imported when it runs, so that help comes at once.
"""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Sequence

import click

from autocell import __version__
from autocell.bench.stopping import remember_interrupts
from autocell.cli import failures
from autocell.cli.change import change
from autocell.cli.check import check
from autocell.cli.demo import demo
from autocell.cli.drivers import drivers
from autocell.cli.export import export
from autocell.cli.history import history, report
from autocell.cli.invocation import Invocation
from autocell.cli.morning import morning
from autocell.cli.patterns import patterns
from autocell.cli.recover import recover
from autocell.cli.rehearse import rehearse
from autocell.cli.rehearse_night import rehearse_night
from autocell.cli.run import run
from autocell.cli.simulate import simulate
from autocell.cli.status import status
from autocell.cli.stop import accept, stop
from autocell.cli.survey import survey

_EPILOG = (
    "Laser light and moving parts hurt: this program is not a safety function. Local rules "
    "apply, and the laser safety officer decides."
)


_TELL_AN_OUTCOME = {"demo", "survey", "change", "recover", "accept"}
"""Commands whose ``--json`` is exactly one outcome, also when click refuses an option."""


class _InOrder(click.Group):
    """Lists commands in the order of a first day at the bench, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(
    cls=_InOrder,
    epilog=_EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="autocell", message="%(prog)s %(version)s")
def cli() -> None:
    """Set a two-mirror multipass cell to a wanted number of passes, and prove that it is there."""


for command in (
    demo, patterns, check, survey, change, recover, run, stop, accept, status, morning, history,
    report, export, rehearse, simulate, drivers,
):  # fmt: skip
    cli.add_command(command)
rehearse.add_command(rehearse_night)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit code. No traceback reaches the terminal."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # a terminal that knows no Greek must not end a run
            stream.reconfigure(errors="replace")
    invocation = Invocation()
    try:
        with remember_interrupts():
            code = cli.main(
                None if arguments is None else list(arguments),
                prog_name="autocell",
                standalone_mode=False,
                obj=invocation,
            )
    except click.ClickException as error:
        error.show()
        given = sys.argv[1:] if arguments is None else arguments
        if "--json" in given and given[0] in _TELL_AN_OUTCOME:
            failures.tell_usage(error.format_message())
        return failures.USAGE
    except (KeyboardInterrupt, click.Abort):
        return failures.tell(failures.interrupted(), invocation)
    except SystemExit:
        raise
    except BaseException as error:
        return failures.tell(error, invocation)
    finally:
        with contextlib.suppress(OSError):
            sys.stdout.flush()
    return code if isinstance(code, int) else 0
