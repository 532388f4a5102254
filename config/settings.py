"""Settings, all from the environment, all with a default that runs at once.

DJANGO_ALLOWED_HOSTS    host names, comma-separated. Without it the site answers on this machine
                        alone, over plain http, with static files straight from the folders.
DJANGO_HTTPS            on where hosts are named, off otherwise. `off` with hosts named is for a
                        farm's own network without a certificate.
DJANGO_BEHIND_PROXY     on when a proxy of your own sets X-Forwarded-Proto and X-Forwarded-For.
DJANGO_HSTS_SECONDS     how long browsers remember to use https; a day to begin with.
DJANGO_SECRET_KEY       50 random characters or more; without it a key is made and kept.
DJANGO_STATIC_ROOT      where collectstatic puts its files.
DJANGO_DEBUG            on for developers: tracebacks in the browser.
DJANGO_LOG_LEVEL        INFO.
DATABASE_URL            postgres://… or sqlite:///…; without it, db.sqlite3 in this folder.
TEST_DATABASE           the SQLite file of the tests, where two runs go on side by side.
"""

from datetime import timedelta
from pathlib import Path

from csp.constants import NONE, SELF

from config.environment import Environment

BASE_DIR = Path(__file__).resolve().parent.parent
ENV = Environment()
ENV.unknown_names()

DEBUG = ENV.yes("DJANGO_DEBUG", default=False)
SECRET_KEY, SECRET_KEY_TOLD = ENV.secret_key(BASE_DIR)

ALLOWED_HOSTS = ENV.hosts("DJANGO_ALLOWED_HOSTS")
THIS_MACHINE_ONLY = not ALLOWED_HOSTS
if THIS_MACHINE_ONLY:
    ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]"]
HTTPS = ENV.yes("DJANGO_HTTPS", default=not THIS_MACHINE_ONLY and not DEBUG)

# Apps -------------------------------------------------------------------------------------------

INSTALLED_APPS = [
    "config.apps.FarmAdminConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "grow",
    "sales",
    "analytics",
    "rest_framework",
    "config.apps.TokensConfig",
    "django_filters",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "import_export",
    "simple_history",
    "axes",
    "csp",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.middleware.gzip.GZipMiddleware",
    "csp.middleware.CSPMiddleware",
    "config.public.WithoutCookies",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "simple_history.middleware.HistoryRequestMiddleware",
    "config.signs.NoNul",
    "config.devices.SharedDevices",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
ASGI_APPLICATION = "config.asgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        # Before the apps' own folders, else the admin's base_site.html would win over ours.
        "DIRS": [BASE_DIR / "config" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]

# Database ---------------------------------------------------------------------------------------

DATABASES = {"default": ENV.database(default=f"sqlite:///{BASE_DIR / 'db.sqlite3'}")}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# An operation opens its own transaction and says why; a page that shows a refusal must not be
# inside one that is already broken.
DATABASES["default"]["ATOMIC_REQUESTS"] = False

if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    DATABASES["default"]["OPTIONS"] = {
        # BEGIN IMMEDIATE is the gate: a transaction that will write waits its turn at its start.
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        # FULL: in WAL mode NORMAL may lose the last commits when the power fails, and what has
        # been acknowledged is never lost.
        "init_command": (
            "PRAGMA journal_mode=WAL;"
            "PRAGMA synchronous=FULL;"
            "PRAGMA foreign_keys=ON;"
            # The whole file, up to the greatest size that SQLite maps: at a million movements
            # a trace would else take half as long again, for reading page by page.
            "PRAGMA mmap_size=2147418112;"
            "PRAGMA journal_size_limit=27103364;"
            "PRAGMA cache_size=-16000;"
        ),
    }
    # A file: in memory, threads share one connection and IMMEDIATE no longer makes them wait.
    DATABASES["default"]["TEST"] = {
        "NAME": ENV.text("TEST_DATABASE", str(BASE_DIR / "test.sqlite3")),
    }
else:
    DATABASES["default"]["CONN_MAX_AGE"] = 60
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
    _options = DATABASES["default"].setdefault("OPTIONS", {})
    _options["server_side_binding"] = True
    _options["prepare_threshold"] = 5
    # Whoever waits longer than 20 s for the gate is told so (503); whoever goes to sleep holding
    # it is thrown out, or a lost phone would stop the whole farm.
    _options["options"] = " ".join(
        [
            _options.get("options", ""),
            "-c lock_timeout=20000",
            "-c idle_in_transaction_session_timeout=60000",
        ]
    ).strip()

# People -----------------------------------------------------------------------------------------

AUTH_USER_MODEL = "grow.Person"
LOGIN_URL = "admin:login"
LOGIN_REDIRECT_URL = "admin:index"

AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"django.contrib.auth.password_validation.{name}"}
    for name in (
        "UserAttributeSimilarityValidator",
        "MinimumLengthValidator",
        "CommonPasswordValidator",
        "NumericPasswordValidator",
    )
] + [{"NAME": "config.passwords.EndsTokens"}]

# Eight wrong passwords for one name from one address, then a quarter of an hour's wait. By name
# and address together: one clumsy thumb must not lock the packing hall's shared address.
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_ENABLE_ADMIN = False
AXES_VERBOSE = False

# Language, time ---------------------------------------------------------------------------------

# The business's own zone is a row of the database, fixed once an event exists. The server is UTC.
LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_TZ = True
USE_I18N = True
# "1,500" is asked back, never read: so it is never shown either.
USE_THOUSAND_SEPARATOR = False
FORMAT_MODULE_PATH = ["config.formats"]

# Static files -----------------------------------------------------------------------------------

STATIC_URL = "static/"
STATICFILES_DIRS = [BASE_DIR / "config" / "static"]
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.FileSystemFinder",
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "config.finders.PlotlyFinder",
]
HASHED_STATIC = not THIS_MACHINE_ONLY and not DEBUG
# Without hosts named there is nothing to collect: whitenoise reads the folders themselves.
STATIC_ROOT = (
    Path(ENV.text("DJANGO_STATIC_ROOT", str(BASE_DIR / ".staticfiles"))) if HASHED_STATIC else None
)
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if HASHED_STATIC
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}
WHITENOISE_USE_FINDERS = not HASHED_STATIC
WHITENOISE_AUTOREFRESH = DEBUG

# A photograph of a packet, straight from a phone.
DATA_UPLOAD_MAX_MEMORY_SIZE = 12 * 1024 * 1024
# A count of a whole shelf, or all sites of all towers, in one form.
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5000

# Security ---------------------------------------------------------------------------------------

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CONTENT_TYPE_NOSNIFF = True
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
SECURE_SSL_REDIRECT = HTTPS
SECURE_HSTS_SECONDS = ENV.number("DJANGO_HSTS_SECONDS", default=86400) if HTTPS else 0
BEHIND_PROXY = ENV.yes("DJANGO_BEHIND_PROXY", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
# Sub-domains and preload lists bind every other host of the farm's domain, for a year and more.
# One tool on one host may not decide that for the rest.
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W021"]

# API --------------------------------------------------------------------------------------------

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "config.tokens.Tokens",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["config.parsers.Json"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "config.errors.shaped",
    # "?format=…" would be a second way to ask for what the Accept header says
    "URL_FORMAT_OVERRIDE": None,
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
    # whose requests are counted: what the nearest proxy says it is, or who connects
    "NUM_PROXIES": 1 if BEHIND_PROXY else 0,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Harvest to sale",
    "DESCRIPTION": "Lots, movements, traces and figures of a tower greenhouse.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    # The greenhouse has no internet: the schema browser's files come from this server.
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "COMPONENT_SPLIT_REQUEST": True,
    "POSTPROCESSING_HOOKS": ["config.schema.every_refusal"],
    "SORT_OPERATIONS": False,
}
REST_KNOX = {"TOKEN_TTL": timedelta(days=90)}

# Logging ----------------------------------------------------------------------------------------

LOG_LEVEL = ENV.choice("DJANGO_LOG_LEVEL", ["INFO", "DEBUG", "WARNING", "ERROR"])
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"},
    },
    "handlers": {
        "console": {"class": "logging.StreamHandler", "formatter": "line"},
    },
    "root": {"handlers": ["console"], "level": "WARNING"},
    "loggers": {
        "django": {"handlers": ["console"], "level": LOG_LEVEL, "propagate": False},
        # a request a line while developing; runserver's own format
        "django.server": {"level": LOG_LEVEL},
        **{
            app: {"handlers": ["console"], "level": LOG_LEVEL, "propagate": False}
            for app in ("config", "grow", "sales", "analytics")
        },
    },
}
