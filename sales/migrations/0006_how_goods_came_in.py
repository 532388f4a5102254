import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    """What a chef says of goods at the door: how warm, in what condition, what was wrong and how
    it looked."""

    dependencies = [
        ("grow", "0004_who_sent_a_photograph"),
        ("sales", "0005_till_formats"),
    ]

    operations = [
        migrations.AddField(
            model_name="outlet",
            name="cooling_minutes",
            field=models.PositiveSmallIntegerField(
                default=120,
                help_text="So long after the cut a whole, unwashed crop is still cooling: its "
                "temperature is recorded and not judged.",
                verbose_name="just cut for, minutes",
            ),
        ),
        migrations.CreateModel(
            name="Receipt",
            fields=[
                (
                    "event",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        primary_key=True,
                        related_name="receipt",
                        serialize=False,
                        to="grow.event",
                    ),
                ),
                (
                    "temperature_c",
                    models.DecimalField(blank=True, decimal_places=2, max_digits=6, null=True),
                ),
                (
                    "measured",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("between", "Between packs"),
                            ("surface", "On the surface"),
                            ("air", "Air"),
                            ("not_taken", "Not taken"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "condition",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("good", "Good"),
                            ("wilted", "Wilted"),
                            ("damaged", "Packs damaged"),
                            ("dirty", "Crate or van dirty"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "note",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="receipts",
                        to="sales.deliverynote",
                    ),
                ),
                (
                    "probe",
                    models.ForeignKey(
                        blank=True,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="receipts",
                        to="grow.thing",
                    ),
                ),
            ],
            options={"ordering": ["event"]},
        ),
        migrations.CreateModel(
            name="ReceiptLine",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("short", models.BigIntegerField(default=0)),
                ("rejected", models.BigIntegerField(default=0)),
                ("reason", models.CharField(blank=True, max_length=80)),
                (
                    "lot",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="receipt_lines",
                        to="grow.lot",
                    ),
                ),
                (
                    "photo",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="receipt_lines",
                        to="grow.photo",
                    ),
                ),
                (
                    "receipt",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="lines",
                        to="sales.receipt",
                    ),
                ),
            ],
            options={"ordering": ["id"]},
        ),
    ]
