"""GTINs of this business: each product's, and the company prefix that they begin with. One is never
made up, and a number of restricted circulation is never taken for one."""

from __future__ import annotations

from django.core.exceptions import ValidationError

from grow.errors import Refusal
from grow.models import Business
from grow.models.business import CHECKS

from . import gs1


def own_gtin(text: str) -> str:
    """A product's GTIN in its 14 digits. Where the business has a company prefix it begins with
    it, if it is not one of the 8 digits that have none.

    Raises Refusal for what is no GTIN, for a number of restricted circulation, for another's."""
    gtin, prefix = gs1.gtin14(text), Business.the().company_prefix
    if not prefix or gs1.is_gtin8(gtin):
        return gtin
    try:  # the first of 14 digits tells a pack from a case of them
        gs1.refuse_unknown_prefix(gtin, lambda rest: rest.startswith(prefix), after=1)
    except Refusal as refusal:
        raise Refusal(
            "gtin_of_another",
            f"{gtin} does not begin with {prefix}, the company prefix under Business: give the "
            "GTIN that you made with it, or leave it out.",
            gtin=gtin,
            company_prefix=prefix,
        ) from refusal
    return gtin


def _prefix_fits(business: Business) -> None:
    from .models import Product  # which asks `own_gtin`

    if not business.company_prefix:
        return
    try:
        prefix = business.company_prefix = gs1.company_prefix(business.company_prefix)
    except Refusal as refusal:
        raise ValidationError({"company_prefix": refusal.sentence}) from refusal
    for product in Product.objects.exclude(gtin="").order_by("name"):
        if not gs1.is_gtin8(product.gtin) and not gs1.begins_with(product.gtin, prefix):
            raise ValidationError(
                {
                    "company_prefix": f"{product} has the GTIN {product.gtin}, which does not "
                    f"begin with {prefix}: empty it under Products first, or put the prefix right."
                }
            )


CHECKS.append(_prefix_fits)
