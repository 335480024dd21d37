"""The command line: parse, call, print. Every command has a module of its own, loaded when it is asked for."""

from __future__ import annotations

import errno
import importlib
import os
import sys
from types import ModuleType
from typing import NoReturn

import click

from ampwitness import __version__
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.stopping import stop_on_signals
from ampwitness.cli.wrapped import wrapped
from ampwitness.errors import AmpwitnessError, OutputError, UsageError

# Before numpy is loaded anywhere. Matrix products are small here: the library's threads wait for each other and cost a
# report three quarters more CPU without being done sooner.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

PROGRAM, COMPLETE_VARIABLE = "ampwitness", "_AMPWITNESS_COMPLETE"  # the variable by which a shell asks for completions
INTERRUPTED_EXIT_CODE = 130  # the shell's own number for Ctrl-C
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
_BEHIND_A_PROMPT = "\n"  # a stop stands on a line of its own

# command name -> (module, object in it, one line of help). The help stands here so that `--help` loads nothing else.
INSTALLER_COMMANDS = {
    "job": ("job", "job", "Keep one folder a vehicle: equipment, order of work, recordings, findings."),
    "before-power": ("before_power", "before_power", "Meter checks before an amplifier is switched on."),
    "tones": ("tones", "tones", "Write test tracks: tones, bursts, sweeps, steps."),
    "set-gain": ("set_gain", "set_gain", "Set a gain live: up to the edge and back."),
    "check-supply": ("check_supply", "check_supply", "Walk along the supply with the probe: where are volts lost?"),
    "find-noise": ("find_noise", "find_noise", "Compare a quiet output in six conditions: where noise comes from."),
    "record": ("record", "record", "Record from a board until told to stop."),
    "live": ("live", "live", "Show a board, or a recording, on a page in a browser of this machine."),
    "report": ("report", "report", "Say what a recording shows: in the terminal, as a page, as JSON."),
    "explain": ("explain", "explain_command", "Say what a kind of finding means, in plain words."),
    "sheet": ("sheet", "sheet", "Write the job sheet: one printed page for the customer."),
    "export": ("export", "export", "Write a recording as WAV, CSV, NPZ or MDF for other programs."),
    "reduce": ("reduce", "reduce_command", "Make a recording smaller: full waveforms only around events."),
    "verify": ("verify", "verify", "Check that a recording is whole and that every loss is accounted for."),
    "cable": ("cable", "cable", "Say what a run of cable costs in volts and heat."),
    "boards": ("boards", "boards", "List the serial ports and which board answers on each."),
    "check-board": ("check_board", "check_board", "Let the board test itself and say what it found."),
    "calibrate": ("calibrate", "calibrate", "Calibrate the board's channels against a meter."),
    "install": ("install", "install", "Put the firmware on a board and check it by its hello."),
    "demo": ("demo", "demo", "Run the whole chain on a made-up vehicle whose truth is known."),
    "completion": ("completion", "completion", "Print what lets your shell complete commands: bash, zsh, fish."),
}
BENCH_COMMANDS = {
    "front-end": ("front_end", "front_end", "Design and judge the network between a terminal and a pin."),
    "virtual-board": ("virtual_board", "virtual_board", "Run the board's own firmware here, fed with a WAV of volts."),
}


def _load(name: str) -> ModuleType:
    """A module and all that it needs: seconds on a slow or busy machine, in which the terminal says so."""
    if COMPLETE_VARIABLE in os.environ or name in sys.modules:  # a shell that completes shows what stands on its own
        return importlib.import_module(name)
    with ProgressLine() as progress:
        progress("loading")
        with stop_on_signals() as signals:  # an import under way can swallow a Ctrl-C
            module = importlib.import_module(name)
    if signals:
        raise KeyboardInterrupt
    return module


def _let_go_of_output() -> None:
    """What is still to be printed goes nowhere: Python would fail once more on it when it ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _leave_reader() -> NoReturn:
    """The reader of our output (a pager, `head`) has gone; that is its right and no failure of ours."""
    _let_go_of_output()
    sys.exit(0)


class _LazyGroup(click.Group):
    """Lists all commands without importing them, the installer's first."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*INSTALLER_COMMANDS, *BENCH_COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = INSTALLER_COMMANDS.get(cmd_name) or BENCH_COMMANDS.get(cmd_name)
        if entry is None:
            return None
        module_name, object_name, _ = entry
        command = getattr(_load(f"ampwitness.cli.{module_name}"), object_name)
        assert isinstance(command, click.Command)
        return command

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:  # before click makes a failure of it
            _leave_reader()

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for heading, table in (("In the garage", INSTALLER_COMMANDS), ("On the developer's bench", BENCH_COMMANDS)):
            with formatter.section(heading):
                formatter.write_dl([(name, text) for name, (_, _, text) in table.items()])


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: ampwitness record --seconds 60 --out trip.mcap, then ampwitness report trip.mcap --html trip.html",
)
@click.version_option(__version__, prog_name="ampwitness")
def cli() -> None:
    """Witness what an amplifier and its supply do: clipping, sag under each bass note, cut-outs.

    Battery cables and amplifier outputs can burn and shock. Fuse every probe lead, take power off before clips move,
    and follow local codes. On the road the passenger works this program, never the driver.
    """


def main() -> NoReturn:
    """Run the command line; every expected failure ends in one sentence and its own exit code."""
    try:
        code = cli.main(prog_name=PROGRAM, complete_var=COMPLETE_VARIABLE, standalone_mode=False)
        sys.exit(code if isinstance(code, int) else 0)
    except click.exceptions.Abort:
        click.echo(f"{_BEHIND_A_PROMPT if sys.stderr.isatty() else ''}ampwitness: stopped.", err=True)
        sys.exit(INTERRUPTED_EXIT_CODE)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except AmpwitnessError as error:
        click.echo(wrapped(f"ampwitness: {error}", sys.stderr), err=True)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        click.echo("ampwitness: stopped.", err=True)
        sys.exit(INTERRUPTED_EXIT_CODE)
    except BrokenPipeError:
        _leave_reader()
    except OSError as error:
        if error.filename is None and error.errno not in _NO_ROOM:
            raise
        if error.filename is None:
            _let_go_of_output()
            said = f"output could not be written ({error.strerror}): make room, or send it elsewhere."
            click.echo(wrapped(f"ampwitness: {said}", sys.stderr), err=True)
            sys.exit(OutputError.exit_code)
        said, code = f"{error.filename}: {error.strerror}. Choose another place, or see to its rights.", 1
        if error.errno in (errno.ENAMETOOLONG, errno.ELOOP):
            said = f"{str(error.filename)[:60]}... is no usable name ({error.strerror}): choose a shorter one."
            code = UsageError.exit_code
        click.echo(wrapped(f"ampwitness: {said}", sys.stderr), err=True)
        sys.exit(code)
