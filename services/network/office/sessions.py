"""The officer behind a request, and the check that a form was sent from our own page."""

import datetime as dt
from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

from fastapi import Request

from network.api.bodies import read_capped
from network.api.problems import Problem
from network.hub import Hub
from network.office.people import Officer, officer_of

MOST_BYTES_A_FORM = 8 * 1024


def cookie_name(*, is_https: bool) -> str:
    """The session cookie; over HTTPS its prefix binds it to this host (RFC 6265bis, 4.1.3.2)."""
    return "__Host-filltrail-office" if is_https else "filltrail-office"


def officer_behind(hub: Hub) -> Callable[[Request], Officer | None]:
    """A dependency: who is signed in, if anybody."""
    name = cookie_name(is_https=hub.settings.is_https)

    def behind(request: Request) -> Officer | None:
        token = request.cookies.get(name)
        if not token:
            return None
        now: dt.datetime = hub.world.clock()
        with hub.database.transaction() as tx:
            return officer_of(tx, token, now=now)

    return behind


def check_from_here(request: Request) -> None:
    """Refuse a form that another site sent (OWASP ASVS 5.0, 3.5.1): by Sec-Fetch-Site, else by Origin."""
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        is_ours = site in ("same-origin", "none")
    else:
        origin = request.headers.get("origin", "")
        is_ours = bool(origin) and urlsplit(origin).netloc == request.headers.get("host", "")
    if not is_ours:
        raise Problem(
            403, "another-site", "This form came from another site", "Open the page again and send it there."
        )


async def form_fields(request: Request) -> dict[str, str]:
    """The fields of a small form, checked to come from our own page."""
    check_from_here(request)
    body = await read_capped(request, MOST_BYTES_A_FORM)
    try:
        fields = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=20)
    except (UnicodeDecodeError, ValueError):
        raise Problem(400, "form", "The form could not be read") from None
    return {name: values[0] for name, values in fields.items()}
