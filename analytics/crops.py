from collections import defaultdict

from grow.models import Crop

UNKNOWN = "Crop not recorded"


def names() -> dict[int | None, str]:
    """Crop id → name; anything else is a crop that nobody recorded."""
    out: dict[int | None, str] = defaultdict(lambda: UNKNOWN)
    out.update(Crop.objects.values_list("pk", "name"))
    return out


def natural(name: str) -> list[tuple[bool, int, str]]:
    """Tower 2 before tower 10."""
    return [(not p.isdecimal(), int(p) if p.isdecimal() else 0, p) for p in name.split()]
