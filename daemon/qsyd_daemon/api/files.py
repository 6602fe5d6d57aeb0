"""The files that the station file's `api` block names: token file, certificate and key, each judged at its place."""

import ssl
import stat
from pathlib import Path

from qsyd_daemon.api.token_file import TokenFileError, read_tokens
from qsyd_daemon.station_file.errors import Problem
from qsyd_daemon.station_file.settings import ApiSettings


def tls_context(settings: ApiSettings, directory: Path) -> ssl.SSLContext | None:
    """TLS 1.2 or newer with the station's certificate; None where the file has none. Raises `OSError`, `ssl.SSLError`."""
    if settings.certificate is None or settings.key is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(directory / settings.certificate, directory / settings.key)
    return context


def api_problems(settings: ApiSettings, directory: Path) -> list[Problem]:
    """What is wrong with the files that the block names, each at its place."""
    found = []
    tokens = directory / settings.tokens
    try:
        read_tokens(tokens)
    except FileNotFoundError:
        if not settings.is_loopback:
            text = f"{tokens}: there is no file of tokens"
            found.append(_at(settings, "tokens", text, "make one with `qsyd token new operate --name NAME`"))
    except TokenFileError as error:
        text, _, hint = str(error).partition("; ")
        found.append(_at(settings, "tokens", text, hint))
    if settings.key is not None:
        found += _key_problems(settings, directory / settings.key)
    if not found:
        try:
            tls_context(settings, directory)
        except FileNotFoundError:
            text = f"{directory / (settings.certificate or '')}: there is no such file"
            found.append(_at(settings, "tls", text, "name the certificate, and the chain behind it, as PEM"))
        except (OSError, ssl.SSLError) as error:
            reason = getattr(error, "reason", None) or error.strerror or str(error)
            found.append(_at(settings, "tls", f"certificate and key do not serve: {reason}", "name a pair as PEM"))
    return found


def _key_problems(settings: ApiSettings, key: Path) -> list[Problem]:
    try:
        mode = key.stat().st_mode
    except OSError as error:
        return [_at(settings, "tls", f"{key}: cannot be read: {error.strerror}", "name the key of the certificate")]
    if not stat.S_ISREG(mode) or mode & 0o007:
        return [_at(settings, "tls", f"{key}: everybody can read it", f"use `chmod 640 {key}`, or 600")]
    return []


def _at(settings: ApiSettings, key: str, text: str, hint: str) -> Problem:
    line, column = settings.places.get(key, settings.places[""])
    return Problem(line, column, text, hint)
