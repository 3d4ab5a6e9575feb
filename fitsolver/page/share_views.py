"""An address for one more device, with its code for the camera."""

from __future__ import annotations

from time import localtime, strftime

from markupsafe import Markup
from starlette.responses import Response

from fitsolver.page.guard import ENTRANCE
from fitsolver.page.site import Asked


def share(asked: Asked) -> Response:
    """Show the page's address with a token that opens it once; each request makes a new one."""
    site = asked.site
    if not site.keys.shared:
        return asked.page("share.html", address="", code="", devices=[])
    if name := asked.fields.get("out", ""):
        site.keys.put_out(name)
        return asked.go("/share")
    own = site.keys.known.get(asked.browser)
    devices = [
        (each.name, each.device or "?", strftime("%H:%M", localtime(each.since)))
        for each in list(site.keys.known.values())
        if own is None or each.name != own.name
    ]
    address = f"{site.address}{ENTRANCE}{site.keys.new_token()}"
    return asked.page(
        "share.html", address=address, devices=devices, code=Markup(code_picture(address))
    )


def code_picture(address: str) -> str:
    """Return the QR code of an address as an <svg> element (ISO/IEC 18004)."""
    import segno

    code = segno.make(address, error="m", micro=False)
    return str(
        code.svg_inline(scale=5, border=4, svgclass="code", lineclass="code-dark", omitsize=True)
    )
