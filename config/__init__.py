"""Wiring only: settings, addresses, the admin site. Knows the apps; no app knows it."""
