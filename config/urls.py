"""Addresses. The admin site stands at the root: it is the tool that is open all day.

Its last pattern catches every other address, so whatever is not the site comes before it.
"""

from django.contrib import admin
from django.templatetags.static import static
from django.urls import include, path
from django.views.generic import RedirectView

from config import api, public


class Favicon(RedirectView):
    """Browsers ask for it by this name on pages that name no icon, such as JSON."""

    def get_redirect_url(self, *args: object, **kwargs: object) -> str:
        return static("farm/favicon.svg")


handler403, handler404 = "config.site.not_allowed", "config.site.not_found"
urlpatterns = [
    path("favicon.ico", Favicon.as_view()),
    path("api/", include(api.addresses())),
    *public.addresses(),
    path("", admin.site.urls),
]
