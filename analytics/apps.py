from django.apps import AppConfig


class AnalyticsConfig(AppConfig):
    name = "analytics"
    verbose_name = "Yields and margins"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from . import roles  # noqa: F401  (registers its tables)
