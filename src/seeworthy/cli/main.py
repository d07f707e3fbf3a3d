"""The command line: which commands there are, and how errors leave it.

Command modules are imported only when their command is called, so that
``seeworthy --help`` answers at once.
"""

from __future__ import annotations

import contextlib
import difflib
import errno
import importlib
import json
import os
import re
import sys
from dataclasses import dataclass
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from seeworthy import __version__
from seeworthy.ground.errors import FULL_DISK, Fault, NoSpace, SeeworthyError, WrongCall

# Read when NumPy is loaded. Our matrices are small: threads of the BLAS wait for one another in
# loops that cost a quarter to a third of the processor's time of `look`.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@dataclass(frozen=True)
class MenuEntry:
    """One command: where its Typer app is, its one line of help, its section."""

    module: str
    help: str
    section: str


_ONE = "One clip or one reading, nothing to set up"
_KEEP = "A bench that remembers every camera"
_THINK = "What the figures mean"
_SELF = "Seeworthy itself"

# The order is the order of the help page. A module that is not there yet is left out.
COMMANDS: dict[str, MenuEntry] = {
    "demo": MenuEntry("demo", "Build the demo bench of Marram Point and measure it.", _ONE),
    "look": MenuEntry("look", "Tell everything that one clip tells by itself.", _ONE),
    "procedures": MenuEntry("procedures", "List the tests, or show how to film one.", _ONE),
    "measure": MenuEntry("measure", "Run one test on your files and readings.", _ONE),
    "target": MenuEntry("target", "Make a printable target as PDF.", _ONE),
    "recover": MenuEntry(
        "recover", "Rebuild a clip that was cut off before it was finished.", _ONE
    ),
    "bench": MenuEntry("bench", "Make, check or back up a bench folder.", _KEEP),
    "camera": MenuEntry("camera", "Add and list cameras, units, firmware and claims.", _KEEP),
    "shoot": MenuEntry("shoot", "Say what to test next; print the shoot sheet and slates.", _KEEP),
    "take": MenuEntry("take", "Add and list what you filmed and read.", _KEEP),
    "import": MenuEntry("import_", "Sort a card folder into takes.", _KEEP),
    "run": MenuEntry("run", "Measure what is new or out of date.", _KEEP),
    "claims": MenuEntry("claims", "Hold the seller's claims against the figures.", _THINK),
    "compare": MenuEntry("compare", "Set cameras side by side.", _THINK),
    "suit": MenuEntry("suit", "Rank cameras for a purpose.", _THINK),
    "plan": MenuEntry("plan", "Foresee what a flight will look like.", _THINK),
    "correct": MenuEntry("correct", "Mend a clip with what was measured.", _THINK),
    "report": MenuEntry("report", "Write the report of a camera.", _THINK),
    "cards": MenuEntry("cards", "Write results as pictures for a film.", _THINK),
    "export": MenuEntry("export", "Write results as open data.", _THINK),
    "verify": MenuEntry("verify", "Compute the results of a data package again.", _THINK),
    "groups": MenuEntry("groups", "Set several groups' results of one model side by side.", _THINK),
    "pool": MenuEntry("pool", "Put data packages of many benches together.", _THINK),
    "ask": MenuEntry("ask", "Ask a pool of benches.", _THINK),
    "worker": MenuEntry("worker", "Measure for a bench on another machine.", _KEEP),
    "serve": MenuEntry("serve", "Open the bench in a browser.", _KEEP),
    "selfcheck": MenuEntry("selfcheck", "Render known truth, measure it, compare.", _SELF),
}


def _exists(entry: MenuEntry) -> bool:
    from importlib.util import find_spec

    return find_spec(f"seeworthy.cli.{entry.module}") is not None


class LazyGroup(TyperGroup):
    """A group that knows its commands by name and loads one when it is called."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names in the order of the help page."""
        return [name for name, entry in COMMANDS.items() if _exists(entry)]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Return a stand-in that carries the help line only."""
        entry = COMMANDS.get(cmd_name)
        if entry is None or not _exists(entry):
            return None
        return TyperCommand(cmd_name, help=entry.help, short_help=entry.help)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Load the real command; called to run it and to complete its words."""
        name, stand_in, rest = super().resolve_command(ctx, args)
        if name is None or stand_in is None:
            return name, stand_in, rest
        return name, load(name), rest

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands by section."""
        names = self.list_commands(ctx)
        for section in dict.fromkeys(e.section for e in COMMANDS.values()):
            rows = [(n, COMMANDS[n].help) for n in names if COMMANDS[n].section == section]
            if rows:
                with formatter.section(section):
                    formatter.write_dl(rows)


def load(name: str) -> Any:
    """Import a command's module and return its command object."""
    module = importlib.import_module(f"seeworthy.cli.{COMMANDS[name].module}")
    module.app._add_completion = False  # offered once, by the root
    command = typer.main.get_command(module.app)
    command.name = name
    return command


app = typer.Typer(
    cls=LazyGroup,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    no_args_is_help=True,
)


def _version(value: bool) -> None:
    if value:
        typer.echo(f"seeworthy {__version__}")
        raise typer.Exit


@app.callback()
def root(
    version: bool = typer.Option(
        False, "--version", help="Print the version.", callback=_version, is_eager=True
    ),
    units: str = typer.Option(
        "", "--units", metavar="us|metric", help="Units of results, before the command: us first."
    ),
) -> None:
    """Seeworthy, the test bench for small flying cameras.

    Film a set scene, type what you read off tape, scale and thermometer, and learn what
    a camera really does, with an honest plus-or-minus on every figure. Start with
    'seeworthy look CLIP' or 'seeworthy demo'.
    """
    if units not in ("", "us", "metric"):
        raise WrongCall(f"'--units {units}' is not known.", "Write --units us or --units metric.")
    from seeworthy.cli.words import use_units

    use_units(units)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit; every error leaves as words and an exit code."""
    words = sys.argv[1:] if arguments is None else arguments
    sys.exit(run(words))


def run(words: list[str]) -> int:
    """Run the command line and return the exit code."""
    try:
        return _answer(words)
    finally:
        # Said only where add-ons were looked for: the other commands stay quick.
        house = sys.modules.get("seeworthy.procedures")
        for one in house.noticed() if house else ():
            typer.echo(str(one), err=True)


def _answer(words: list[str]) -> int:
    from seeworthy.cli.words import UnitsOut

    command = typer.main.get_command(app)
    out = UnitsOut(sys.stdout)
    try:
        with contextlib.redirect_stdout(out):
            try:
                code = command.main(args=words, prog_name="seeworthy", standalone_mode=False)
            finally:
                out.flush()
        if code == _STOPPED:  # the parser caught Ctrl-C
            raise KeyboardInterrupt
        return code if isinstance(code, int) else 0
    except SeeworthyError as error:
        return _leave(error, words)
    except KeyboardInterrupt:
        typer.echo(f"\nStopped. {_kept(words)}", err=True)
        return _STOPPED
    except BrokenPipeError:
        # The reader (head, less) has gone; keep Python from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        return _leave(_translate(error), words, error)


_STOPPED = 130  # 128 + SIGINT, as shells have it (common practice, no source)
_KEPT = {
    "run": "What was measured is kept; 'seeworthy run' goes on with the rest.",
    "import": "What was entered is kept; the same import goes on with the rest.",
    "demo": "Remove the folder before you build the demo again.",
    "serve": "",
}


def _kept(words: list[str]) -> str:
    """Say what a stopped command leaves: a file is written whole or not at all."""
    command = next((w for w in words if not w.startswith("-")), "")
    return _KEPT.get(command, "Nothing half-written is left.")


_NO_PLACE = {
    errno.ENOENT, errno.ENOTDIR, errno.EISDIR, errno.EEXIST, errno.ENAMETOOLONG, errno.ELOOP,
    errno.EINVAL,
}  # fmt: skip


def _near(said: str) -> str:
    """Return which command was meant where the parser knows none of that name."""
    unknown = re.fullmatch(r"No such command '(.+)'", said)
    if unknown is None:
        return ""
    # 'claim' is two words: 'camera claim'. A third of the letters may be wrong: a judgement.
    known = {**{name: name for name in COMMANDS}, "claim": "camera claim", "unit": "camera unit"}
    near = difflib.get_close_matches(unknown[1], known, 2, 0.66)
    return f"Meant: {' or '.join(known[n] for n in near)}? " if near else ""


def _translate(error: Exception) -> SeeworthyError:
    if hasattr(error, "format_message"):  # what the argument parser raises
        said = error.format_message().rstrip(".")
        near = _near(said)
        return WrongCall(said, f"{near}Add --help to see what it takes.")
    if type(error).__name__ == "Abort":
        return WrongCall("Stopped.")
    if isinstance(error, OSError) and error.errno in FULL_DISK:
        return NoSpace("The disk is full.", "Free some space and run it again.")
    if isinstance(error, OSError) and error.errno == 30:
        return WrongCall(
            f"'{error.filename}' cannot be written: that place is read-only.",
            "Name another place to write to.",
        )
    if isinstance(error, PermissionError):
        return WrongCall(f"'{error.filename}' must not be written or read.", "Check permissions.")
    if isinstance(error, OSError) and error.errno in _NO_PLACE and error.filename:
        return WrongCall(
            f"'{error.filename}' cannot be made or opened: {error.strerror}.", "Name another place."
        )
    return Fault(
        f"Seeworthy itself failed: {type(error).__name__}: {error}",
        "This is a fault of the program; SEEWORTHY_TRACE=1 shows where.",
    )


def _leave(error: SeeworthyError, words: list[str], cause: Exception | None = None) -> int:
    if os.environ.get("SEEWORTHY_TRACE"):
        import traceback

        traceback.print_exception(cause or error)
    from seeworthy.cli.words import harmless

    for line in filter(None, (error.message, error.hint)):
        typer.echo(harmless(line, sys.stderr.isatty()), err=True)
    if "--json" in words:
        typer.echo(json.dumps(error.to_json(), ensure_ascii=False, indent=2))
    return error.exit_code


if __name__ == "__main__":
    main()
