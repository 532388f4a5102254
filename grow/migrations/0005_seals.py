from django.db import migrations, models


class Migration(migrations.Migration):
    """Each day's entries are closed under a chain of sums."""

    dependencies = [
        ("grow", "0004_who_sent_a_photograph"),
    ]

    operations = [
        migrations.CreateModel(
            name="Seal",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "day",
                    models.PositiveIntegerField(help_text="Local day as yyyymmdd.", unique=True),
                ),
                ("through", models.BigIntegerField()),
                ("events", models.PositiveIntegerField()),
                ("movements", models.PositiveIntegerField()),
                ("digest", models.CharField(max_length=64)),
                ("marks", models.BinaryField()),
                ("sealed_at", models.DateTimeField()),
            ],
            options={"ordering": ["day"]},
        ),
    ]
