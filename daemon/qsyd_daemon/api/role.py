"""What a caller of the API may do. Standard library only: `qsyd token` imports this."""

from enum import IntEnum


class Role(IntEnum):
    """Each may do what those before it may."""

    VISITOR = 0
    """Whoever comes over loopback without a token: may look at the present, not at the journal."""
    WATCH = 1
    OPERATE = 2
    ADMINISTER = 3

    @property
    def word(self) -> str:
        """As files and commands write it."""
        return self.name.lower()


TOKEN_ROLES = {role.word: role for role in (Role.WATCH, Role.OPERATE, Role.ADMINISTER)}
"""The roles that a token can have, by their words."""
