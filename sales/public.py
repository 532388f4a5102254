"""The address at which anybody may ask: what the QR of a pack says of it, and the test that it must
have answered before a label names it. This server never asks anything of anybody.
"""

from __future__ import annotations

import datetime as dt
from urllib.parse import urlsplit

from django.conf import settings
from django.core import signing
from django.http.request import split_domain_port, validate_host

from grow import clock
from grow.errors import NotKnown, Refusal
from grow.models import Business

from . import gs1
from .models import PackingRun

#: How long the code on the desk's page may be answered.
LASTS = dt.timedelta(hours=1)
_SALT = "sales.public.trial"
_PORTS = {"http": 80, "https": 443}


# --- what a label's QR says ----------------------------------------------------------------------


def qr_of(run: PackingRun, business: Business | None = None) -> str:
    """What the QR of a run's labels says, were they printed now: the lot alone until the public
    address has answered; then a GS1 Digital Link where the product has a GTIN made with the
    business's company prefix, else an address of one's own. In capitals, which take fewer modules
    (ISO/IEC 18004), unless the public address has a path in small letters. business: the one, where
    it is known already."""
    business = business or Business.the()
    address, code = business.public_address, run.lot.code
    if not address or business.public_answered_at is None:
        return code
    gtin, prefix = run.product.gtin, business.company_prefix
    if not (gtin and prefix and gs1.begins_with(gtin, prefix)):
        return _own(address, code)
    both = gs1.elements({"01": gtin, "10": code})
    try:
        return gs1.in_capitals(both, address)
    except Refusal:
        return gs1.link(both, address)


def _own(address: str, code: str) -> str:
    """A path is not what it was in other letters; the scheme and the host are (RFC 3986, 6.2.2.1),
    and so is all that stands behind the public address, as our own pages forgive it."""
    scheme, _, rest = address.partition("://")
    host, slash, path = rest.partition("/")
    capitals = f"{scheme.upper()}://{host.upper()}{slash}{path}/L/{code}"
    return capitals if capitals == capitals.upper() else f"{address}/l/{code}"


# --- the test of the public address --------------------------------------------------------------


def trial_url(address: str) -> str:
    """Where a telephone that is not on the farm's network is sent, to see whether it gets here."""
    return f"{address}/l/test/{signing.dumps(address, salt=_SALT)}"


def tried(token: str, asked: str) -> Business:
    """A telephone came to `trial_url`; asked is the name and port that it asked for. The business,
    whose public address has answered now.

    Raises NotKnown for a token that we did not sign; Refusal for one that is too old, for an
    address that is another by now, and where the host asked for is not the one that it names."""
    try:
        address = signing.loads(token, salt=_SALT, max_age=LASTS)
    except signing.SignatureExpired:
        raise Refusal(
            "trial_expired",
            "This code has expired; it lasts an hour. Load the page “Public address” again and "
            "scan the new one.",
        ) from None
    except signing.BadSignature:
        raise NotKnown("no_such_trial", "This is no code of the page “Public address”.") from None
    scheme = urlsplit(address).scheme
    if _host(address) != _host(f"{scheme}://{asked}"):
        raise Refusal(
            "trial_elsewhere",
            f"This was asked for as {asked}, and not as {address}. Whatever stands between must "
            "leave the name of the host as it is. It does not count.",
            asked=asked,
        )
    answered = Business.objects.filter(public_address=address)
    if not answered.update(public_answered_at=clock.now()):
        raise Refusal(
            "trial_of_another",
            f"The public address is no longer {address}. Load the page “Public address” again and "
            "scan the new code.",
        )
    return Business.the()


def _host(url: str) -> tuple[str | None, int | None]:
    parts = urlsplit(url)
    return parts.hostname, parts.port or _PORTS.get(parts.scheme)


def not_allowed(address: str) -> str | None:
    """The host of a public address, where settings do not let this server answer to it; else
    None."""
    host, _ = split_domain_port(urlsplit(address).netloc)
    return None if validate_host(host, settings.ALLOWED_HOSTS) else host
