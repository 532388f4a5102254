from django.db import migrations, models


class Migration(migrations.Migration):
    """A photograph may be named in an entry by whoever sent it, and by nobody of another outlet."""

    dependencies = [
        ("grow", "0003_more_of_labels_and_runs"),
    ]

    operations = [
        migrations.AddField(
            model_name="photo",
            name="sent_from",
            field=models.ManyToManyField(blank=True, related_name="+", to="grow.place"),
        ),
    ]
