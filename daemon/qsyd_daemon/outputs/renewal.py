"""When a device's lease on transmit is renewed. No I/O.

The device takes transmit away by itself unless it hears the renewal again and again; so a daemon that has died, or
whose loop stands still, or a cable that was pulled, ends in transmit inhibited.
"""

from dataclasses import dataclass

from qsyd_rules.command import CommandName


@dataclass(frozen=True, slots=True)
class Lease:
    """What renews the lease, and how often. `answered` says that the device acknowledges it as it does commands."""

    renew: bytes
    every_us: int
    answered: bool = True


class Renewal:
    """Renews only while the last permit command that the device took is to release; times in microseconds."""

    def __init__(self, settings: Lease) -> None:
        self.settings = settings
        self.due_us: int | None = None
        """When the next renewal is to be sent; None while transmit is not released."""

    def is_due(self, at_us: int) -> bool:
        """Whether it is time to renew, if nothing is in the way."""
        return self.due_us is not None and at_us >= self.due_us

    def handed_over(self, name: CommandName) -> None:
        """A command is about to be sent: inhibiting ends the lease before the device has answered."""
        if name is CommandName.INHIBIT_TRANSMIT:
            self.end()

    def taken(self, name: CommandName, at_us: int) -> None:
        """The device has taken a command: a release begins the lease."""
        if name is CommandName.RELEASE_TRANSMIT:
            self.due_us = at_us + self.settings.every_us

    def failed(self, name: CommandName) -> None:
        """A command has failed; after a release that may have got through or not, nothing is renewed."""
        if name is CommandName.RELEASE_TRANSMIT:
            self.end()

    def end(self) -> None:
        """What the device holds is not known, as when the link has closed: nothing is renewed into the unknown."""
        self.due_us = None

    def sent(self, at_us: int) -> None:
        """The renewal is on its way; the next one comes in its time, and none is made up for."""
        self.due_us = at_us + self.settings.every_us
