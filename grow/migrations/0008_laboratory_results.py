import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    """What laboratories found, and a flag for what fails."""

    dependencies = [
        ("grow", "0007_gtins_of_inputs"),
    ]

    operations = [
        migrations.AlterField(
            model_name="flag",
            name="kind",
            field=models.CharField(
                choices=[
                    ("breach", "Moved although held"),
                    ("after_freeze", "Told after the freeze"),
                    ("short", "Beyond the books"),
                    ("over", "More came than was sent"),
                    ("born_held", "Held from the start"),
                    ("moment", "Moment moved to the nearest possible"),
                    ("found_cleared", "Site was found cleared"),
                    ("outweighs", "Run outweighs its crates"),
                    ("unusual", "Five times over or under what is usual"),
                    ("lot_unknown", "Sold, lot unknown"),
                    ("tag_twice", "Crate tag was already used"),
                    ("wrong_origin", "Origin corrected"),
                    ("not_on_books", "The books knew nothing of it"),
                    ("against_rule", "Done against a rule"),
                    ("unsaid", "Something was left unsaid"),
                    ("clock", "Told by a clock that was wrong"),
                    ("lab_failed", "Laboratory result fails"),
                ],
                max_length=14,
            ),
        ),
        migrations.CreateModel(
            name="LabResult",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("criterion", models.CharField(max_length=24)),
                ("figures", models.CharField(max_length=400)),
                (
                    "verdict",
                    models.CharField(
                        choices=[
                            ("satisfactory", "satisfactory"),
                            ("acceptable", "acceptable"),
                            ("unsatisfactory", "unsatisfactory"),
                            ("incomplete", "incomplete"),
                        ],
                        max_length=14,
                    ),
                ),
                ("says", models.CharField(max_length=400)),
                (
                    "event",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lab_results",
                        to="grow.event",
                    ),
                ),
                (
                    "lot",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lab_results",
                        to="grow.lot",
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lab_results",
                        to="grow.place",
                    ),
                ),
            ],
            options={
                "verbose_name": "laboratory result",
                "ordering": ["-id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("lot__isnull", False), ("place__isnull", True)),
                            models.Q(("lot__isnull", True), ("place__isnull", False)),
                            _connector="OR",
                        ),
                        name="a_result_is_of_a_lot_or_of_a_place",
                        violation_error_message="A result is of one lot, or of one place.",
                    )
                ],
            },
        ),
    ]
