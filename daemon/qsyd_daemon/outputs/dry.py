"""Stands in for a device in a dry run: shows what would be sent, sends nothing."""

from collections.abc import Callable, Mapping

from qsyd_daemon.outputs.output import Performed
from qsyd_daemon.outputs.template import Template
from qsyd_rules.command import COMMAND_FIELDS, Command, CommandName
from qsyd_rules.words import Result


class DryDevice:
    """A device output without a device; everything is assumed done at once."""

    def __init__(self, name: str, commands: Mapping[CommandName, Template], say: Callable[[str, str], None]) -> None:
        """`say(output, text)` is told what would have been sent."""
        self.name = name
        self.commands = frozenset(commands)
        self._templates = dict(commands)
        self._say = say

    def start(self, connected: Callable[[str], None], lost: Callable[[str, str], None]) -> None:
        """There is no link to keep."""
        connected(self.name)

    async def perform(self, command: Command) -> Performed:
        """Show the line."""
        fields = {field: getattr(command, field) for field in COMMAND_FIELDS[command.name]}
        self._say(self.name, self._templates[command.name].render(fields))
        return Performed(Result.ASSUMED)

    def send_no_more(self, names: frozenset[CommandName]) -> None:
        """Nothing is ever sent late."""

    async def close(self) -> None:
        """There is nothing to close."""
