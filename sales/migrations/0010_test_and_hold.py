from django.db import migrations, models


class Migration(migrations.Migration):
    """A product may wait for its laboratory result."""

    dependencies = [
        ("sales", "0009_recalls_and_complaints"),
    ]

    operations = [
        migrations.AddField(
            model_name="product",
            name="test_and_hold",
            field=models.BooleanField(
                default=False,
                help_text="Each run is held from the start, until somebody lets it go on a laboratory’s result.",
            ),
        ),
    ]
