from django.apps import AppConfig


class SalesConfig(AppConfig):
    name = "sales"
    verbose_name = "Packing and selling"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # they register kinds, hooks, checks, names, roles, lists and what is added up by month
        from . import (  # noqa: F401
            faults,
            gtins,
            importing,
            ledger_hooks,
            month_sums,
            naming,
            operations,
            pricing,
            roles,
            scans,
        )
