from django.apps import AppConfig
from django.db.backends.signals import connection_created
from django.db.models.signals import post_migrate, pre_migrate


class GrowConfig(AppConfig):
    name = "grow"
    verbose_name = "Growing and the ledger"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from . import checks, months, operations, roles, setup, triggers  # noqa: F401  (they register themselves)
        from .importing import lists  # noqa: F401  (it registers itself)
        from .ready import read_moments

        connection_created.connect(read_moments, dispatch_uid="grow.ready.moments")
        pre_migrate.connect(triggers.before_migrate, dispatch_uid="grow.triggers.lift")
        post_migrate.connect(triggers.after_migrate, dispatch_uid="grow.triggers.install")
        post_migrate.connect(setup.after_migrate, sender=self, dispatch_uid="grow.setup.places")
        # for each app: its permissions are there by then, made by the first app of the list
        post_migrate.connect(roles.after_migrate, dispatch_uid="grow.roles")
