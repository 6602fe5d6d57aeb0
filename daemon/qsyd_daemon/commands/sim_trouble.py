"""Why a simulated device cannot be served, in words: what is taken or missing, and what would do."""

import errno


def trouble(error: OSError | ValueError, port: int | None, pty: str | None) -> str:
    """One line. `port` is the TCP port of this machine that was asked for, `pty` the path for a
    pseudo-terminal; neither for a bench, which has a directory.
    """
    if not isinstance(error, OSError) or error.errno is None:
        return str(error)
    if port is not None and error.errno == errno.EADDRINUSE:
        return f"port {port} of 127.0.0.1 is taken: another program serves there; choose another, or 0 for a free one"
    if port is not None and error.errno in {errno.EACCES, errno.EPERM}:
        return f"port {port} of 127.0.0.1 is not for this user; choose one above 1023, or 0 for a free one"
    if pty is not None and error.errno == errno.ENOENT:
        return f"{pty}: there is no such directory to put the link in; make it, or choose another path"
    if port is not None or pty is not None:
        return f"{pty or f'port {port} of 127.0.0.1'}: cannot be served: {error.strerror}"
    return f"{error.filename2 or error.filename or 'the devices'}: {error.strerror}; name another --directory"
