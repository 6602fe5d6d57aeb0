"""The status page: files that say nothing of the station, so that whoever reaches the listener may have them.

What they show they ask of the API like any other caller, with whatever token the person at the page has.
"""

from importlib import resources

from aiohttp import web

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; "
    "worker-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content Security Policy Level 3 (W3C): nothing from elsewhere, nothing written into the page itself."""
_FILES = {
    "/": ("index.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
    "/pace.js": ("pace.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}


class Page:
    """The files, read once."""

    def __init__(self) -> None:
        folder = resources.files("qsyd_daemon") / "page"
        self._files = {path: ((folder / name).read_bytes(), kind) for path, (name, kind) in _FILES.items()}

    def answer(self, request: web.BaseRequest) -> web.Response | None:
        """One of the files; None where something else is asked for."""
        found = self._files.get(request.raw_path) if request.method == "GET" else None
        if found is None:
            return None
        body, kind = found
        headers = {"Content-Security-Policy": POLICY}
        return web.Response(body=body, content_type=kind, charset="utf-8", headers=headers)
