"""`ampwitness install`: put the firmware on a board, and prove it by its hello."""

from __future__ import annotations

import json
from pathlib import Path

import click

from ampwitness.cli.wrapped import say
from ampwitness.errors import UsageError
from ampwitness.installing import Installer, describe_installed, find_install_port


@click.command(epilog="Example: ampwitness install --port /dev/ttyACM0")
@click.option("--port", help="Serial port of the board; not needed when there is only one.")
@click.option(
    "--config",
    help="File to put on the board as board_config.py, or `standard`. Without it the board keeps the one it has.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
def install(port: str | None, config: str | None, as_json: bool) -> None:
    """Put the firmware on a board that runs MicroPython, or a newer one on a board that has it already.

    Needs mpremote: pip install 'ampwitness[install]'. A board whose firmware runs is sent to its prompt first, by
    resetting it once. A mode or a calibration that the board keeps stays on it.
    """
    chosen: str | Path | None = config
    if config is not None and config != "standard":
        chosen = Path(config)
        if not chosen.is_file():
            raise UsageError(f"There is no file {config}; --config takes a board_config.py or the word standard.")
    installer = Installer(port or find_install_port(), chosen, lambda text: click.echo(f"  {text}", err=True))
    done = installer.run()
    told = describe_installed(done)
    if as_json:
        click.echo(json.dumps(told, indent=1))
        return
    words = {"kept": "its own board_config.py was kept", "standard": "board_config.py is the standard one"}
    say(
        f"Board {told['board_id']} on {told['port']} runs {told['firmware']}, mode {told['mode']}, "
        f"{', '.join(done.hello.roles)}.\n"
        f"{told['n_files_copied']} files copied, {told['n_files_removed']} old ones removed; "
        f"{words.get(done.config, 'board_config.py is ' + done.config)}."
    )
