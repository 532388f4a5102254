from django.apps import AppConfig


class SalesConfig(AppConfig):
    name = "sales"
    verbose_name = "Packing and selling"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from . import faults, ledger_hooks, naming, operations, roles  # noqa: F401  (registers kinds, hooks, checks)
