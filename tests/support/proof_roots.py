"""Where the search begins: at the start, and at states that a start reaches only by a long and quiet way.

They are reached when this module is loaded, so a bug that is put in later begins from a sound station."""

from collections.abc import Callable

from proof_deeds import WORLDS, Deed, Kind
from proof_station import BARE, GUESSED, LOWER, OTHER, STORED
from proof_world import Node, beginning, deeds, take

from qsyd_rules.command import CommandName
from qsyd_rules.event import AmplifierRequest

_STEPS_MAX = 200


class _Walk:
    """A quiet way through the world: answers come, notes are written, time passes."""

    def __init__(self) -> None:
        self.node = beginning()

    def then(self, deed: Deed) -> None:
        self.node = take(self.node, deed, None).node

    def until(self, is_there: Callable[[Node], bool], *, waiting: bool = True) -> None:
        """Go on until it is so."""
        for _ in range(_STEPS_MAX):
            if is_there(self.node):
                return
            ready = [each for each in deeds(self.node, WORLDS["dial"]) if each.kind in {Kind.DONE, Kind.RECORDED}]
            self.then(ready[0] if ready else Deed(Kind.WAIT if waiting and self.node.core.wake_us else Kind.POLL))
        raise AssertionError("the station does not get there")

    def until_sent(self, name: CommandName) -> None:
        self.until(lambda node: any(command.name is name for command in node.core.commands.values()))


def _is_at_rest(node: Node) -> bool:
    core = node.core
    return not core.commands and core.change_over is None and core.reasons is None and core.wake_us is None


def _roots() -> dict[str, Node]:
    walk = _Walk()
    found: dict[str, Node] = {}

    def here(name: str) -> None:
        found[name] = walk.node

    walk.then(Deed(Kind.START))
    here("cold")
    walk.then(Deed(Kind.APPEAR, LOWER))
    walk.until(_is_at_rest)
    here("barefoot")
    walk.then(Deed(Kind.ASK, AmplifierRequest.ON))
    walk.until(lambda node: not node.core.commands)
    here("warming up")
    walk.until(_is_at_rest)
    here("hot, in standby")
    walk.then(Deed(Kind.ASK, AmplifierRequest.OPERATE))
    walk.until(_is_at_rest)
    here("in operate")
    at_rest = walk.node
    walk.then(Deed(Kind.KEY, True))
    here("in operate, keyed")
    walk.until(lambda node: node.core.fault is not None)
    walk.then(Deed(Kind.KEY, False))
    walk.until(lambda node: not node.core.commands)
    here("fault stands")
    walk.node = at_rest
    walk.then(Deed(Kind.DIAL, OTHER))
    walk.until_sent(CommandName.SELECT_ANTENNA)
    here("antenna being selected")
    walk.until_sent(CommandName.RECALL_PRESET)
    here("preset being recalled")
    walk.until_sent(CommandName.AMPLIFIER_OPERATE)
    here("operate commanded")
    walk.until_sent(CommandName.RELEASE_TRANSMIT)
    here("release commanded")
    walk.node = at_rest
    walk.then(Deed(Kind.DIAL, BARE))
    walk.until(_is_at_rest)
    walk.then(Deed(Kind.ASK, AmplifierRequest.STANDBY))
    walk.then(Deed(Kind.TUNE, "10m/1"))
    walk.until(_is_at_rest)
    here("tuned up, in standby")
    walk.then(Deed(Kind.ASK, AmplifierRequest.OPERATE))
    walk.until(_is_at_rest)
    here("tuned up, in operate")
    walk.then(Deed(Kind.KEY, True))
    here("tuned up, keyed")
    walk.node = at_rest
    walk.then(Deed(Kind.DIAL, STORED))
    walk.until(_is_at_rest)
    here("beside an estimate, in operate")
    walk.then(Deed(Kind.DIAL, GUESSED))
    walk.until_sent(CommandName.RECALL_PRESET)
    here("estimate being recalled")
    walk.until(_is_at_rest)
    here("on an estimate, in operate")
    return found


ROOTS = _roots()
USUAL_ROOTS = tuple(name for name in ROOTS if "estimate" not in name and "tuned up" not in name)
