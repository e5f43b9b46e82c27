"""Settings of Rimebook. Every knob is read through env.py; nothing exists only in production."""

import contextlib
import os
import secrets
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import dj_database_url
from psycopg import IsolationLevel

from config import env
from config.enumerations import ENUM_NAMES
from registry.rules.checkpoints import new_private_key, read_private_key, read_public_key

BASE_DIR = Path(__file__).resolve().parent.parent

# Where the embedded default keeps its database and its generated key.
DATA_DIR = Path(env.text("DATA_DIR", str(BASE_DIR / ".data")))

SECRET_KEY_LENGTH_MIN = 50  # characters; Django's own deployment check asks for as many
# How long a writer waits for the others before it is told to come again. SQLite is unfair under load: a
# writer was seen to wait 3 s.
LOCK_WAIT_S = env.whole_number("LOCK_WAIT_S", 20, least=1, most=60)
CONNECTION_AGE_S = 600  # a new connection each request was measured to cost 8 ms, on SQLite 1.4


def _generated(name: str, make: Callable[[], str]) -> str:
    """Return a key kept beside the embedded database, made at the first start.

    It appears whole: of two processes that start together, both get the one that came first.
    """
    path = DATA_DIR / name
    if not path.exists():
        DATA_DIR.mkdir(parents=True, exist_ok=True)
        fresh = path.with_name(f"{name}-{secrets.token_hex(8)}")
        fresh.touch(mode=0o600)
        fresh.write_text(make())
        with contextlib.suppress(FileExistsError):
            os.link(fresh, path)
        fresh.unlink()
    return path.read_text().strip()


def database_at(url: str) -> dict[str, object]:
    """Return Django's description of the database at a URL, SQLite or PostgreSQL."""
    try:
        database: dict[str, object] = dict(dj_database_url.parse(url))
    except (ValueError, KeyError) as error:
        raise env.BadSetting("DATABASE_URL", f"cannot be read ({error}). Write it as a URL.") from None
    if database["ENGINE"] == "django.db.backends.sqlite3":
        Path(str(database["NAME"])).parent.mkdir(parents=True, exist_ok=True)
        database["OPTIONS"] = {
            # A read that becomes a write cannot wait for its turn: every transaction writes from the start.
            "transaction_mode": "IMMEDIATE",
            "timeout": LOCK_WAIT_S,
            # FULL: an entry that was answered for must survive a power cut. What is erased is overwritten in
            # the file too, whatever the library's own default is.
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;"
            " PRAGMA secure_delete=ON;",
        }
    elif database["ENGINE"] == "django.db.backends.postgresql":
        # An action waits for the ledger lock in its first statement and must see in its second what the
        # former holder committed, whatever the server's default is.
        given: dict[str, str] = dict(database.get("OPTIONS") or {})  # type: ignore[call-overload]
        database["OPTIONS"] = given | {  # an address may ask for TLS: sslmode and its like stay
            "isolation_level": IsolationLevel.READ_COMMITTED,
            "options": f"{given.get('options', '')} -c lock_timeout={LOCK_WAIT_S}s".strip(),
        }
        database["CONN_HEALTH_CHECKS"] = True
    else:
        raise env.BadSetting("DATABASE_URL", "must name sqlite or postgresql; nothing else is tested.")
    database["CONN_MAX_AGE"] = CONNECTION_AGE_S
    return database


DEBUG = env.switch("DEBUG", False)
SECRET_KEY = env.text("SECRET_KEY", "") or _generated(
    "secret-key", lambda: secrets.token_urlsafe(SECRET_KEY_LENGTH_MIN)
)
if len(SECRET_KEY) < SECRET_KEY_LENGTH_MIN:
    raise env.BadSetting(
        "SECRET_KEY", f"is too short. Use at least {SECRET_KEY_LENGTH_MIN} random characters."
    )
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", ["localhost", "127.0.0.1", "[::1]"])


def _checkpoint_key() -> str:
    """Return the private key that signs checkpoints: given, in a file that was named, or generated."""
    file = env.text("CHECKPOINT_KEY_FILE", "")
    try:
        given = env.text("CHECKPOINT_KEY", "") or (Path(file).read_text() if file else "")
        key = given or _generated("checkpoint-key", new_private_key)
        read_private_key(key)
    except (OSError, ValueError) as error:
        named = "CHECKPOINT_KEY_FILE" if file else "CHECKPOINT_KEY"
        raise env.BadSetting(named, f"cannot be used: {error}. Name an Ed25519 key in PEM.") from None
    return key


def _former_keys() -> list[str]:
    try:
        return [read_public_key(word) for word in env.words("CHECKPOINT_FORMER_KEYS", [])]
    except ValueError as error:
        raise env.BadSetting(
            "CHECKPOINT_FORMER_KEYS", f"cannot be used: {error}. Write public keys, comma-separated."
        ) from None


CHECKPOINT_KEY = _checkpoint_key()
CHECKPOINT_FORMER_KEYS = _former_keys()
CHECKPOINT_EVERY = env.whole_number("CHECKPOINT_EVERY", 1_000, least=0, most=1_000_000)
CHECKPOINT_FOLDER = env.text("CHECKPOINT_FOLDER", "")
CHECKPOINT_ADDRESS = env.text("CHECKPOINT_ADDRESS", "")
if CHECKPOINT_ADDRESS and not CHECKPOINT_ADDRESS.startswith(("http://", "https://")):
    raise env.BadSetting("CHECKPOINT_ADDRESS", "is no web address. Begin it with https://.")

DATABASES = {"default": database_at(env.text("DATABASE_URL", f"sqlite:///{DATA_DIR / 'rimebook.sqlite3'}"))}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

INSTALLED_APPS = [
    "registry",
    "rest_framework",
    "django_filters",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "axes",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.admin",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "axes.middleware.AxesMiddleware",
]
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    }
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
AUTH_USER_MODEL = "registry.Staff"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
# A password is tried five times for a name from one address; then both wait together.
AXES_FAILURE_LIMIT = env.whole_number("SIGN_IN_TRIES", 5, least=3, most=100)
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_HTTP_RESPONSE_CODE = 429  # RFC 6585, section 4
AXES_LOCKOUT_TEMPLATE = "registry/locked_out.html"
AXES_RESET_ON_SUCCESS = True
AXES_VERBOSE = False
AUTH_PASSWORD_VALIDATORS = [
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": env.whole_number("PASSWORD_LENGTH_MIN", 12, least=8, most=128)},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]

REST_FRAMEWORK = {
    "EXCEPTION_HANDLER": "registry.api.problems.answer_problem",
    "DEFAULT_SCHEMA_CLASS": "registry.api._schema.RegisterSchema",
    "UNAUTHENTICATED_USER": None,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Rimebook",
    "VERSION": "1",
    "DESCRIPTION": "The register of freezers, sensors and installations of a packaged-ice company.",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    # Two fields are called alike and know different words.
    "ENUM_NAME_OVERRIDES": ENUM_NAMES,
}

STATIC_URL = "/static/"
WHITENOISE_USE_FINDERS = True  # one process serves its own files, with nothing to collect first

# Times are kept in UTC; a page shows a store's time in the store's own zone, with its name.
USE_TZ = True
TIME_ZONE = "UTC"
LANGUAGE_CODE = "en"

SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_AGE = 12 * 60 * 60  # seconds: a working day
SESSION_COOKIE_SECURE = env.switch("HTTPS_ONLY", False)
CSRF_COOKIE_SECURE = SESSION_COOKIE_SECURE
SECURE_SSL_REDIRECT = SESSION_COOKIE_SECURE
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
# Every script, style and picture is a file of our own; nothing is inline, nothing comes from elsewhere.
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "font-src": ["'self'"],
        "connect-src": ["'self'"],
        "form-action": ["'self'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
}

LOG_LEVELS = ("DEBUG", "INFO", "WARNING", "ERROR", "CRITICAL")
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": env.choice("LOG_LEVEL", "WARNING", LOG_LEVELS)},
}
