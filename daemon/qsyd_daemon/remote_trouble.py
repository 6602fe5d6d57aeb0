"""Why a daemon on another machine was not reached, in words of what to do. Standard library only.

The numbers of certificate errors are those of OpenSSL's X509_V_ERR_*, from memory.
"""

import http.client
import socket
import ssl

from qsyd_daemon.remote import Remote

NOT_YET_VALID, EXPIRED = 9, 10
UNKNOWN_ISSUER = frozenset({2, 18, 19, 20, 21})
WRONG_NAME = frozenset({62, 64})


def trouble(remote: Remote, error: Exception) -> str:
    """One line about an exception that a connection or an exchange ended with."""
    where = remote.shown
    match error:
        case ssl.SSLCertVerificationError():
            return f"{where}: {_certificate(remote, error)}; nothing was sent"
        case ssl.SSLError(reason="WRONG_VERSION_NUMBER" | "HTTP_REQUEST" | "RECORD_LAYER_FAILURE"):
            return f"{where}: speaks no TLS; is this the port of its `api`, and has that a `tls`?"
        case ssl.SSLEOFError():
            return f"{where}: the connection ended in the middle of TLS"
        case ssl.SSLError():
            return f"{where}: TLS failed: {error.reason or error}"
        case socket.gaierror():
            return f"{where}: no machine of the name {remote.host} is known: {error.strerror}"
        case ConnectionRefusedError():
            return f"{where}: nothing listens there; does qsyd run, with an `api` in its station file?"
        case TimeoutError():
            return f"{where}: does not answer in time"
        case http.client.RemoteDisconnected() | ConnectionResetError() if remote.tls is None:
            return f"{where}: ended the connection; if it speaks TLS, write https://"
        case http.client.BadStatusLine() if remote.tls is None:
            return f"{where}: does not speak HTTP; if it speaks TLS, write https://"
        case OSError():
            return f"{where}: {error.strerror or error}"
        case _:
            return f"{where}: does not answer as qsyd does: {error}"


def _certificate(remote: Remote, error: ssl.SSLCertVerificationError) -> str:
    if error.verify_code in WRONG_NAME:
        return (
            f"its certificate is for another name than {remote.host}; ask by a name that stands in it "
            "(subjectAltName), or make one with this name"
        )
    if error.verify_code in UNKNOWN_ISSUER:
        return (
            "its certificate is signed by nobody whom this machine trusts; if it is your station's, name its "
            "certificate, or its authority's, with --ca-file"
        )
    if error.verify_code == EXPIRED:
        return "its certificate has expired (or this machine's clock is wrong); make a new one at the station"
    if error.verify_code == NOT_YET_VALID:
        return "its certificate is not valid yet: the clock of this machine, or of the one that made it, is wrong"
    return f"its certificate cannot be trusted: {error.verify_message}"
