"""The one site: Django's admin, with the apps' task pages among its addresses.

An app offers its pages as `PAGES` in its own `pages.py` and imports nothing from here:

    PAGES = [
        Page(path="cut/", name="cut", title="Cut", permission="grow.add_event", view=cut),
    ]

Any object with these five attributes will do. `permission` is "app.codename", or None for whoever
may open the site at all. A page whose path takes no argument is offered in the menu, in the order
of the apps and of their lists, unless it says `in_menu=False`. Pages that say `own_password=True`
are shut to who was only chosen on a shared device (config.devices).
"""

from collections.abc import Callable, Iterator
from functools import update_wrapper
from importlib import import_module
from typing import Any, Protocol

from django.apps import apps
from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import URLPattern, URLResolver, path, reverse
from django.utils.module_loading import module_has_submodule
from django.views.decorators.cache import never_cache

View = Callable[..., HttpResponseBase]
#: So many pages stand in the row on top; the rest are one tap further.
IN_THE_ROW = 5


class Page(Protocol):
    """What a task page tells the site about itself."""

    path: str
    name: str
    title: str
    permission: str | None
    view: View


def offered_pages() -> Iterator[Page]:
    """Every installed app's pages, in the order of INSTALLED_APPS."""
    for app in apps.get_app_configs():
        if app.module is not None and module_has_submodule(app.module, "pages"):
            yield from getattr(import_module(f"{app.name}.pages"), "PAGES", [])


def may_open(request: HttpRequest, page: Page) -> bool:
    asks = getattr(page, "may", None)
    if asks is not None and not asks(request.user):
        return False
    return page.permission is None or request.user.has_perm(page.permission)


def may_open_tables(request: HttpRequest) -> bool:
    from grow.scope import tied_to  # the site is made before the apps are ready

    user: Any = request.user
    return user.is_superuser or not (user.pk and tied_to(user))


def not_allowed(request: HttpRequest, exception: Exception) -> HttpResponse:
    """403 in whole words, with a way back."""
    says = str(exception) or "That is not among your tasks; the manager says who may."
    return _not_here(request, "Not among your tasks", says, 403)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """404 likewise. What Django tried is nobody's business."""
    told = exception.args[0] if exception.args else ""
    says = told if isinstance(told, str) and told else "There is nothing here that you may see."
    return _not_here(request, "Not found", says, 404)


def not_readable(request: HttpRequest, says: str) -> HttpResponse:
    """400 likewise, for what no page can read."""
    return _not_here(request, "Not readable", says, 400)


def _not_here(request: HttpRequest, title: str, says: str, status: int) -> HttpResponse:
    own = {"title": title, "says": says, "is_nav_sidebar_enabled": False}
    context = {**admin.site.each_context(request), **own}
    return TemplateResponse(request, "admin/not_here.html", context, status=status).render()


class FarmSite(admin.AdminSite):
    site_title = "Harvest to sale"
    site_header = "Harvest to sale"
    index_title = "Today"
    empty_value_display = "–"

    def get_urls(self) -> list[URLPattern | URLResolver]:
        # Collected here and not at import: admin.site is made before the apps are ready.
        from grow.pages_who import WHO_PAGES

        # before anybody is known: these ask who it is
        asking: list[Any] = WHO_PAGES
        who = [path(page.path, self._dress(page), name=page.name) for page in asking]
        pages = [path(page.path, self._open(page), name=page.name) for page in offered_pages()]
        first = path("first-account/", self.first_account, name="first_account")
        return [*who, *pages, first, *super().get_urls()]

    def has_permission(self, request: HttpRequest) -> bool:
        """Who signs in is staff; who is chosen on a shared device needs no password to be."""
        return super().has_permission(request) or getattr(request, "is_chosen", False)

    def admin_view(self, view: Any, cacheable: bool = False) -> Any:
        """A view behind the sign-in. Tables are one and all shut to whoever is tied to an outlet:
        they show the whole farm and what it is paid, in lists, filters and what hangs on a row."""
        if not isinstance(getattr(view, "__self__", None), admin.ModelAdmin):
            return super().admin_view(view, cacheable)

        def of_the_whole_farm(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not may_open_tables(request):
                raise PermissionDenied("The tables are not among your tasks.")
            return view(request, *args, **kwargs)

        update_wrapper(of_the_whole_farm, view)
        return super().admin_view(of_the_whole_farm, cacheable)

    def autocomplete_view(self, request: HttpRequest) -> HttpResponse:
        if not may_open_tables(request):
            raise PermissionDenied("The tables are not among your tasks.")
        return super().autocomplete_view(request)

    def first_account(self, request: HttpRequest) -> HttpResponseBase:
        """Makes the first person of an empty database; nobody can be signed in yet."""
        from config import first_account

        return first_account.page(request, self.each_context(request))

    def login(
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        from config import first_account

        own = {"nobody_yet": first_account.nobody_yet()}
        return super().login(request, {**own, **(extra_context or {})})

    def _open(self, page: Page) -> View:
        """The page's view behind the sign-in and its permission, dressed as the site's own."""
        view = self._dress(page)

        def opened(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not may_open(request, page):
                raise PermissionDenied(f"{page.title} is not among your tasks.")
            return view(request, *args, **kwargs)

        update_wrapper(opened, page.view)
        return self.admin_view(opened)

    def _dress(self, page: Page) -> View:
        @never_cache
        def dressed(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            response = page.view(request, *args, **kwargs)
            if isinstance(response, TemplateResponse) and not response.is_rendered:
                response.context_data = {
                    **self.each_context(request),
                    "title": page.title,
                    **(response.context_data or {}),
                }
            return response

        update_wrapper(dressed, page.view)
        return dressed

    def get_app_list(self, request: HttpRequest, app_label: str | None = None) -> list[Any]:
        """In the order of INSTALLED_APPS among the project's own, then the rest by name."""
        if getattr(request, "is_chosen", False) or not may_open_tables(request):
            return []
        own = ["grow", "sales", "analytics"]
        return sorted(
            super().get_app_list(request, app_label),
            key=lambda app: (
                own.index(app["app_label"]) if app["app_label"] in own else len(own),
                app["name"],
            ),
        )

    def index(
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> TemplateResponse:
        from grow import start  # the site is made before the apps are ready

        own = start.context(request.user, request.GET.get("done"))
        if getattr(request, "is_chosen", False):
            own.pop("first_steps", None)  # its pages ask for one's own password
        return super().index(request, {**own, **(extra_context or {})})

    def each_context(self, request: HttpRequest) -> dict[str, Any]:
        """With `tasks`, every page that the person may open, and `row`, the few of them that stand
        on top of every page: what is opened most, or all where they are hardly more."""
        from grow import start  # the site is made before the apps are ready

        context = super().each_context(request)
        tasks: dict[str, dict[str, Any]] = {}
        if context["has_permission"]:
            for page in offered_pages():
                shown = getattr(page, "in_menu", True) and not (
                    getattr(page, "own_password", False) and getattr(request, "is_chosen", False)
                )
                if shown and "<" not in page.path and may_open(request, page):
                    url = reverse(f"{self.name}:{page.name}")
                    here = request.path == url
                    tasks[page.name] = {"title": page.title, "url": url, "here": here}
        row = list(tasks.values())
        if len(row) > IN_THE_ROW + 1:
            opened: Any = request.user
            row = [tasks[name] for name in start.opens(opened) if name in tasks][:IN_THE_ROW]
        return {**context, "tasks": list(tasks.values()), "row": row}
