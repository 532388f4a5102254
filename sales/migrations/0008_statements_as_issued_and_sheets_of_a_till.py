import django.core.serializers.json
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("sales", "0007_statements_and_tax_codes"),
    ]

    operations = [
        migrations.AddField(
            model_name="statement",
            name="stated",
            field=models.JSONField(
                editable=False,
                encoder=django.core.serializers.json.DjangoJSONEncoder,
                help_text="All of it, as it read then.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="tillformat",
            name="sheet",
            field=models.CharField(blank=True, default="", max_length=80),
            preserve_default=False,
        ),
    ]
