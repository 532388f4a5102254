from django.apps import AppConfig


class AnalyticsConfig(AppConfig):
    name = "analytics"
    verbose_name = "Yields and margins"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from . import figures, importing, leaf, roles  # noqa: F401  (what each of them registers)
