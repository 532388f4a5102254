from django.db import migrations
from django.db.models import Max


def count_anew(apps, schema_editor):
    """Months that were added up before their takings stood in whole pence, or go back to parts of a
    penny, are no longer settled: they are read from their rows, and the next sweep adds what they
    come to now."""
    swept = apps.get_model("grow", "MonthsSwept")
    if swept.objects.exists():
        upto = apps.get_model("grow", "Event").objects.aggregate(n=Max("pk"))["n"]
        swept.objects.create(through=0, upto=upto or 0)


class Migration(migrations.Migration):
    dependencies = [("sales", "0010_test_and_hold"), ("grow", "0010_sums_of_months")]

    operations = [migrations.RunPython(count_anew, count_anew)]
