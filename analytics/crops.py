from collections import defaultdict

from grow.models import Crop

UNKNOWN = "Crop not recorded"


def names() -> dict[int | None, str]:
    """Crop id → name; anything else is a crop that nobody recorded."""
    out: dict[int | None, str] = defaultdict(lambda: UNKNOWN)
    out.update(Crop.objects.values_list("pk", "name"))
    return out
