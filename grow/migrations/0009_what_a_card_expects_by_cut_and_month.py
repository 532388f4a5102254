from django.db import migrations, models

import grow.models.crops


class Migration(migrations.Migration):
    """Grams by cut and growth by month on a crop card; empty where nobody told them."""

    dependencies = [
        ("grow", "0008_laboratory_results"),
    ]

    operations = [
        migrations.AddField(
            model_name="cropcard",
            name="grams_by_cut",
            field=models.CharField(
                blank=True,
                help_text="A plant's, first cut to last, where they differ: 34 38 34 26.",
                max_length=300,
                validators=[grow.models.crops.whole_numbers],
                verbose_name="grams at each cut",
            ),
        ),
        migrations.AddField(
            model_name="cropcard",
            name="growth_by_month",
            field=models.CharField(
                blank=True,
                help_text="What it gives from January to December, in per cent of a good month; 0 where it gives nothing: 25 35 55 75 90 100 100 90 75 55 35 22.",
                max_length=80,
                validators=[grow.models.crops.twelve_months],
            ),
        ),
        migrations.AddField(
            model_name="cropcard",
            name="growth_source",
            field=models.CharField(
                blank=True,
                help_text="Where the months come from; empty: as the rest.",
                max_length=200,
            ),
        ),
    ]
