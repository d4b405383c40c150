"""What a key may do."""

from __future__ import annotations

from typing import Literal, get_args

Scope = Literal["ask", "keep_cases", "confirm_outcomes", "administer"]
SCOPES: tuple[Scope, ...] = get_args(Scope)
