"""The program `lostlink`: the table of commands, and exit codes. A command's module is imported on use."""

from __future__ import annotations

import contextlib
import importlib
import io
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import click
from click.shell_completion import CompletionItem

from lostlink import safe_end
from lostlink.errors import ExitCode, LostlinkError, UsageError
from lostlink.files import forgiving_stream, whole_text

COMMANDS: Final = {
    "prove": "Run the whole suite on a link.",
    "replay": "Run one scenario, such as a saved failure, and show it.",
    "hunt": "Search for the shortest fault timeline that breaks a requirement.",
    "campaign": "Run a Monte Carlo campaign of flights.",
    "explain": "Explain a requirement: purpose, test, typical mistakes, changes in firmware.",
    "compare": "Compare two evidence folders.",
    "report": "Write report.html of an evidence folder again.",
    "new": "Write a commented link profile.",
    "plan": "Plan timeout, latency and range; fit a loss model.",
    "read": "Read a recorded pulse train.",
    "watch": "Listen to a board that prints its channel values.",
    "ports": "List serial ports and what answers on each.",
    "header": "Write a profile's values as a C header.",
    "schema": "Write the JSON Schema of profiles or scenarios.",
}
"""Each command, in the module of its name in `lostlink.commands`, and its help in one line."""


class _Main(click.Group):
    """Imports a command's module when it is used, and maps every error to its exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, with its module imported."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"lostlink.commands.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands into the help text without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Return the commands that begin with `incomplete`, and options."""
        items = [CompletionItem(name, help=text) for name, text in COMMANDS.items() if name.startswith(incomplete)]
        return [*items, *click.Command.shell_complete(self, ctx, incomplete)]

    def main(self, args: Sequence[str] | None = None, *others: Any, **extra: Any) -> Any:
        """Show errors of the tool, and output that cannot be written, as one line with an exit code."""
        # None after >&- or 2>&-:
        sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        sys.stderr = sys.stderr or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        sys.stderr = forgiving_stream(sys.stderr)  # what is said beside a verdict cannot change it
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")  # a terminal without a micro sign shows "?"
        try:
            _refuse_undecodable(sys.argv[1:] if args is None else args)
            return super().main(args, *others, **extra)
        except LostlinkError as error:
            click.echo(f"lostlink: {error}", err=True)
            raise SystemExit(error.exit_code) from None
        except OSError as error:
            _discard_output()
            click.echo(f"lostlink: {error.filename or 'output'}: {error.strerror or error}", err=True)
            raise SystemExit(ExitCode.BAD_INPUT) from None
        except Exception as error:
            raise _internal_error(error) from None

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command and flush its output."""
        try:
            safe_end.forget()
            with safe_end.guarded():  # SIGTERM and SIGHUP end a command as Ctrl-C does
                try:
                    return super().invoke(ctx)
                except SystemExit as end:
                    if end.code == ExitCode.INTERRUPTED:
                        raise SystemExit(safe_end.exit_code_of()) from None
                    raise
                finally:
                    sys.stdout.flush()
        # Of the next three click would make exit code 1, that of "not met".
        except click.Abort as left:
            if not isinstance(left.__context__, KeyboardInterrupt):
                raise UsageError(
                    "a question was not answered, so nothing was done; answer it, or give options"
                ) from None
            raise _interrupted(left.__context__) from None
        except KeyboardInterrupt as stop:
            raise _interrupted(stop) from None
        except EOFError as error:
            raise _internal_error(error) from None
        except BrokenPipeError:
            _discard_output()
            raise SystemExit(ExitCode.OUTPUT_CLOSED) from None


def _refuse_undecodable(words: Sequence[str]) -> None:
    """Refuse words that are not UTF-8: the names in them could be written into no file."""
    for word in words:
        if word != whole_text(word):
            raise UsageError(f"{word!a}: is not UTF-8; rename the file, or give another text")


def _interrupted(stop: BaseException) -> SystemExit:
    click.echo("lostlink: interrupted", err=True)
    return SystemExit(safe_end.exit_code_of(stop))


def _internal_error(error: Exception) -> SystemExit:
    """Show a fault of the program, which never has the exit code of "not met"."""
    *_, last = traceback.extract_tb(error.__traceback__)
    position = f"{Path(last.filename).name}:{last.lineno}"
    click.echo(f"lostlink: internal error at {position}: {type(error).__name__}: {error}", err=True)
    if os.environ.get("LOSTLINK_TRACEBACK"):
        traceback.print_exception(error)
    else:
        click.echo("The whole traceback: set LOSTLINK_TRACEBACK=1 and run the command again.", err=True)
    return SystemExit(ExitCode.BAD_INPUT)


def _discard_output() -> None:
    """Discard buffered output, so that Python does not fail at exit."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@click.group(cls=_Main, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lostlink")
def main() -> None:
    """Prove that a radio-control link's failsafe cuts the throttle when the link is lost.

    \b
    Begin with:   lostlink new my_link.toml
                  lostlink prove my_link.toml

    Exit codes: 0 every requirement met, 1 at least one not met, 2 bad input, 3 connection to the rig lost, 4 none
    failed but at least one is inconclusive or not tested, 130 interrupted (129 terminal closed, 143 terminated), 141
    output pipe closed (as by `| head`).

    Whenever hardware is connected: propellers off, flight battery disconnected, model restrained. Follow local radio
    and aviation regulations. Meeting the requirements does not show that the model is safe to fly.
    """
