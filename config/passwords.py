"""What follows from a new password. The framework tells its validators of every one, whichever
page, command or program sets it."""

from __future__ import annotations

from typing import Any


class EndsTokens:
    """Asks nothing of a password: whoever gets a new one is let in by no token of before."""

    def validate(self, password: str, user: Any = None) -> None:
        pass

    def password_changed(self, password: str, user: Any = None) -> None:
        from knox.models import AuthToken  # settings are read before the apps are ready

        if user is not None and user.pk:
            AuthToken.objects.filter(user=user).delete()

    def get_help_text(self) -> str:
        return "A new password ends every API token that you have."
