import django.core.validators
from django.db import migrations, models


class Migration(migrations.Migration):
    """An input may have a GTIN, by which a supplier's file means it."""

    dependencies = [
        ("grow", "0006_out_of_hours_and_who_is_told"),
    ]

    operations = [
        migrations.AddField(
            model_name="item",
            name="gtin",
            field=models.CharField(
                blank=True,
                default="",
                help_text="On its pack, if it has one: a supplier's file is then known by itself.",
                max_length=14,
                validators=[
                    django.core.validators.RegexValidator(
                        "^\\d{8,14}\\Z", "A GTIN is 8 to 14 figures."
                    )
                ],
                verbose_name="GTIN",
            ),
            preserve_default=False,
        ),
        migrations.AddConstraint(
            model_name="item",
            constraint=models.UniqueConstraint(
                condition=models.Q(("gtin", ""), _negated=True),
                fields=("gtin",),
                name="one_input_of_a_gtin",
                violation_error_message="Another input has that GTIN already.",
            ),
        ),
    ]
