"""Puts our admin site in the place of Django's own."""

from django.contrib.admin.apps import AdminConfig


class FarmAdminConfig(AdminConfig):
    default_site = "config.site.FarmSite"

    def ready(self) -> None:
        super().ready()
        from config import checks  # noqa: F401  (registers the checks of settings)
