"""How many files this process may have open: every connection is one."""

import resource

KEPT_FREE = 128
"""For everything that is no connection of the API: links, databases, files, libraries."""


def spare(connections: int) -> bool:
    """Have room for so many connections, by raising our own limit as far as the system allows; whether there is."""
    needed = connections + KEPT_FREE
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= needed:
        return True
    if hard != resource.RLIM_INFINITY and hard < needed:
        return False
    resource.setrlimit(resource.RLIMIT_NOFILE, (needed, hard))
    return True
