"""The command line: parse, call the library, print. No logic lives here.

Results go to stdout, progress and messages to stderr. Exit codes: 0 done, 2 bad input or usage,
3 nothing feasible, 4 stopped by the machine (disk full, storage lost), 130 interrupted, 129 and 143 by a signal.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

import click

from optimizer import __version__
from optimizer.base import console
from optimizer.base.problems import BadInput, Stopped, machine_fault, nearest

# Command name to the module that holds it; a module is imported only when its command runs, so that
# `cellstow --help` answers at once.
COMMANDS = {
    "new": "Write a commented starter brief with catalogs to fill in.",
    "check": "Read a brief and its catalogs, say what is wrong, and print every default in use.",
    "fit": "Count the cells that each compartment holds, with proof of every gap.",
    "search": "Search the whole design space and write the Pareto front.",
    "shortlist": "Rank a run's front, pick a few designs that differ, and write their workshop files.",
    "report": "Write a run's review page: interactive front and the shortlist in full, in one HTML file.",
    "rescore": "Score one design again from its design.json.",
    "why": "Tell why a pack is not on the front, or why candidates were ruled out.",
    "vary": "Tell what a millimetre of each compartment and a step of each limit is worth.",
    "compare": "Two runs or two designs side by side.",
    "schema": "Print the JSON Schema of the brief, for editors.",
    "ride": "Make a brief's ride of the logs of a phone or a controller.",
    "calibrate": "Fit a brief's vehicle to logs: drag area, rolling resistance, accessories, with their errors.",
    "match": "Sort measured cells into groups as equal as can be, and into the seats of a design.",
    "against": "Hold what was predicted of a design against logs of the pack that was built.",
    "characterize": "Fit a cell's model from the discharge curves of its datasheet.",
}


class LazyGroup(click.Group):
    """A group whose commands are imported when asked for; problems become messages and exit code 2."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            near = nearest(cmd_name, COMMANDS)
            hint = f" Did you mean {near!r}?" if near else ""
            raise click.UsageError(f"No such command {cmd_name!r}.{hint}", ctx=ctx)
        module = importlib.import_module(f"optimizer.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table above, importing none of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run a command; that its results could not be printed shows in the exit code."""
        streams = console.endure()
        if streams:
            console.heed_signals()
        try:
            return super().main(*args, **kwargs)
        except SystemExit as end:
            lost = console.unwritten(streams)
            if lost:
                click.echo(f"{lost}; results could not be printed.", err=True)
            if lost and not end.code:
                sys.exit(4)
            raise

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BadInput as bad:
            for problem in bad.problems:
                click.echo(problem.text(), err=True)
            count = len(bad.problems)
            click.echo(f"{count} problem{'s' if count > 1 else ''}; {bad.kept}.", err=True)
            sys.exit(2)
        except Stopped as stopped:
            click.echo(str(stopped), err=True)
            sys.exit(4)
        except OSError as wrong:
            click.echo(machine_fault(wrong), err=True)
            sys.exit(console.exit_code_of(wrong))
        except MemoryError:
            click.echo("Out of memory: a search needs less with fewer --workers, and goes on with --resume.", err=True)
            sys.exit(4)
        except (KeyboardInterrupt, SystemError) as wrong:
            # Compiled code makes a SystemError of a KeyboardInterrupt that finds it at work.
            if not console.was_interrupted(wrong):
                raise
            click.echo("Interrupted.", err=True)
            sys.exit(console.exit_code_of_interrupt())


def _version(ctx: click.Context, asked: bool) -> None:
    """Print the version, and what changed where --verbose stands beside it."""
    if not asked or ctx.resilient_parsing:
        return
    click.echo(f"cellstow, version {__version__}")
    if {"-v", "--verbose"} & set(sys.argv[1:]):
        click.echo(Path(__file__).with_name("CHANGES.md").read_text(encoding="utf-8"))
    ctx.exit()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=lambda c, p, v: _version(c, v),
              help="Show the version and exit; with --verbose what changed.")
@click.option("-v", "--verbose", is_flag=True, is_eager=True, expose_value=False, hidden=True)
def main() -> None:
    """Search cells, series/parallel arrangements and layouts for a battery pack that must fit given boxes.

    Figures are a calculation aid, not a certification: lithium packs can burn, and above 60 V DC can kill.
    Local codes and licensed practice rule.
    """
