"""Puts our admin site in the place of Django's own."""

from django.apps import AppConfig
from django.contrib.admin.apps import AdminConfig


class FarmAdminConfig(AdminConfig):
    default_site = "config.site.FarmSite"

    def ready(self) -> None:
        super().ready()
        from config import checks  # noqa: F401  (registers the checks of settings)


class TokensConfig(AppConfig):
    """The token library under a name that a grower can place."""

    name = "knox"
    verbose_name = "Devices"
