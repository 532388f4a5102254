import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    """Sums of months that are over, and how far they were added up."""

    dependencies = [
        ("grow", "0009_what_a_card_expects_by_cut_and_month"),
    ]

    operations = [
        migrations.CreateModel(
            name="MonthsSwept",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("through", models.PositiveIntegerField(help_text="As yyyymm.")),
                ("upto", models.BigIntegerField()),
            ],
        ),
        migrations.CreateModel(
            name="MonthSum",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("what", models.CharField(max_length=16)),
                ("month", models.PositiveIntegerField(help_text="As yyyymm.")),
                ("key", models.CharField(blank=True, max_length=80)),
                ("quantity", models.BigIntegerField()),
                ("upto", models.BigIntegerField()),
                (
                    "crop",
                    models.ForeignKey(
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="grow.crop",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(
                        fields=["what", "month", "key", "crop", "quantity"],
                        name="month_sum_by_what",
                    )
                ],
            },
        ),
    ]
