"""The `api` block: where the station is reached over TCP, and what guards that."""

from pathlib import Path

from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.model import ApiKeys
from qsyd_daemon.station_file.settings import ApiSettings
from qsyd_daemon.station_file.yaml_tree import place_at


def api_of(keys: ApiKeys | None, findings: Findings) -> ApiSettings | None:
    """What the block says; None without one, or where it cannot be judged."""
    if keys is None:
        return None
    settings = ApiSettings(
        host=keys.listen[0],
        port=keys.listen[1],
        certificate=None if keys.tls is None else Path(keys.tls.certificate),
        key=None if keys.tls is None else Path(keys.tls.key),
        tokens=Path(keys.tokens),
        hosts=keys.hosts,
        lease_us=keys.lease,
        streams=keys.streams,
        places={
            key: place_at(findings.root, ("api", key) if key and findings.is_written(("api", key)) else ("api",))
            for key in ("", "listen", "tls", "tokens", "streams")
        },
    )
    if not settings.is_loopback and keys.tls is None and findings.is_whole("api", "tls"):
        text = f"{settings.shown} can be reached from other machines, and there is no `tls`"
        findings.error(("api", "listen"), text, "add `tls: {certificate: FILE, key: FILE}`, or listen on 127.0.0.1")
    return settings
