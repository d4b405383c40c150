"""Examples for the OpenAPI document: one car from the call to what was found. Invented."""

from __future__ import annotations

from fastapi.openapi.models import Example

NEW_CASES: dict[str, Example] = {
    "call": {
        "summary": "A call: the tank bubbles under boost",
        "value": {
            "reference": "J-1042",
            "observation": {
                "who": "front desk",
                "door": "desk",
                "facts": {
                    "vehicle": {"induction": "turbocharged", "evap_system": "fitted"},
                    "findings": [{"id": "tank_bubbles_under_boost", "state": "present"}],
                },
            },
        },
    },
    "empty": {"summary": "Nothing known yet", "value": {}},
}

OBSERVATIONS: dict[str, Example] = {
    "bay": {
        "summary": "In the bay: the purge valve blows through",
        "value": {
            "who": "bay 2",
            "facts": {"findings": [{"id": "purge_valve_blows_through", "state": "present"}]},
        },
    }
}

WITHDRAWALS: dict[str, Example] = {
    "mixed_up": {
        "summary": "It was another car",
        "value": {"observation": 1, "reason": "That was the other car in the bay."},
    }
}

OUTCOMES: dict[str, Example] = {
    "mended": {
        "summary": "Purge valve replaced, then run",
        "value": {
            "who": "bay 2",
            "causes": [
                {
                    "cause": "purge_valve_passes_boost",
                    "confirmed_by": "purge_line_blow_test",
                    "mended_by": "replace_purge_valve",
                }
            ],
            "minutes": 45,
            "was_run": True,
        },
    },
    "nothing_found": {"summary": "Nothing was found", "value": {"causes": [], "was_run": True}},
}

PERSONS: dict[str, Example] = {
    "owner": {
        "summary": "An invented owner",
        "value": {"name": "R. Example", "telephone": "000 0000", "plate": "EXAMPLE 1"},
    }
}
