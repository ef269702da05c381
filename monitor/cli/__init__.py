"""The command `brimwatch`. Each command's module is loaded only when it is used."""

from __future__ import annotations

import gc
import importlib
import sys
from difflib import get_close_matches

import click

from monitor import __version__
from monitor.errors import BrimwatchError, ExitCode

GARBAGE_AFTER = 20_000  # new objects before a look for garbage

COMMANDS = {
    "simulate": ("monitor.cli.simulate", "simulate"),
    "run": ("monitor.cli.roles", "run"),
    "node": ("monitor.cli.roles", "node"),
    "engine": ("monitor.cli.roles", "engine"),
    "fill": ("monitor.cli.people", "fill"),
    "drain": ("monitor.cli.tend", "drain"),
    "change": ("monitor.cli.tend", "change"),
    "stop": ("monitor.cli.people", "stop"),
    "reset": ("monitor.cli.people", "reset"),
    "ack": ("monitor.cli.people", "ack"),
    "pump": ("monitor.cli.people", "pump"),
    "heater": ("monitor.cli.tend", "heater"),
    "note": ("monitor.cli.tend", "note"),
    "shelve": ("monitor.cli.tend", "shelve"),
    "unshelve": ("monitor.cli.tend", "unshelve"),
    "retire": ("monitor.cli.tend", "retire"),
    "restore": ("monitor.cli.tend", "restore"),
    "status": ("monitor.cli.people", "status"),
    "follow": ("monitor.cli.people", "follow"),
    "history": ("monitor.cli.record", "history"),
    "replay": ("monitor.cli.replay", "replay"),
    "report": ("monitor.cli.report", "report"),
    "export": ("monitor.cli.record", "export"),
    "check": ("monitor.cli.check", "check"),
    "pins": ("monitor.cli.pins", "pins"),
    "prove": ("monitor.cli.prove", "prove"),
    "calibrate": ("monitor.cli.calibrate", "calibrate"),
}


class _Commands(click.Group):
    """A group that loads a command's module when the command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order people meet them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, or None when there is none of that name."""
        found = COMMANDS.get(cmd_name)
        if found is None:
            return None
        command: click.Command = getattr(importlib.import_module(found[0]), found[1])
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, and name the nearest when there is none."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            ctx.fail(f"there is no command {args[0]!r}.{hint} `brimwatch --help` lists them.")
        return super().resolve_command(ctx, args)


EPILOG = "Exit codes: " + "; ".join(f"{code.value} {code.meaning}" for code in ExitCode) + "."


SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


@click.group(cls=_Commands, epilog=EPILOG, context_settings=SETTINGS)
@click.version_option(__version__, prog_name="brimwatch")
def brimwatch() -> None:
    """Watches over the unattended refill of an aquarium, and shuts the water off by itself."""


def main() -> None:
    """Run the command and exit with its code. An error of ours is told in one line each."""
    gc.set_threshold(GARBAGE_AFTER)  # loading makes much to keep and little to throw away
    try:
        code = brimwatch.main(standalone_mode=False)
    except click.exceptions.Abort:
        code = ExitCode.INTERRUPTED
    except click.ClickException as error:
        error.show()
        code = ExitCode.USAGE
    except click.exceptions.Exit as error:
        code = error.exit_code
    except KeyboardInterrupt:
        code = ExitCode.INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody to tell.
        sys.stderr.close()
        code = ExitCode.OK
    except BrimwatchError as error:
        click.echo(f"brimwatch: {error}", err=True)
        code = error.exit_code
    sys.exit(int(code or 0))


if __name__ == "__main__":
    main()
