#!/usr/bin/env python
"""The project's command line: `manage.py help` lists what it can do."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    try:
        from django.core.management import execute_from_command_line
    except ImportError as error:
        raise SystemExit(
            "Django is not installed for this Python. Set up first, as README.md says: "
            "python3 -m venv .venv, then install into it."
        ) from error
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
