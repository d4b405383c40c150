"""What a caller sends: the facts of one case, as they were typed."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictStr

MAX_FINDINGS = 1000
MAX_MEASUREMENTS = 500
MAX_CODES = 200
MAX_VEHICLE_FACTS = 200

ShortText = Annotated[StrictStr, Field(min_length=1, max_length=100)]
FiniteNumber = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class Sent(BaseModel):
    """What all parts of a request share: an unknown field is refused, not ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class FindingReport(Sent):
    """What was said or seen of one finding."""

    id: ShortText = Field(description="Id of a finding of the knowledge base.")
    state: Literal["present", "absent", "unknown"] = Field(
        description="`unknown` says that it was asked and nobody knows; it is not evidence of absence."
    )


class MeasurementReport(Sent):
    """One reading, with its unit and the conditions it was taken at."""

    quantity: ShortText = Field(description="Id of a quantity of the knowledge base.")
    value: FiniteNumber
    unit: Annotated[StrictStr, Field(max_length=40)] = Field(
        description="As people type it: psi, bar, inHg, degF, %, rpm. Pressures are gauge pressures."
    )
    at: Annotated[dict[ShortText, FiniteNumber], Field(max_length=20)] = Field(
        default_factory=dict,
        description="Conditions as `quantity_unit`: number, for instance `engine_speed_rpm`: 5000.",
    )


class TriageRequest(Sent):
    """The facts of one case. Everything may be left out; nothing left out counts as absent."""

    vehicle: Annotated[
        dict[ShortText, StrictBool | FiniteNumber | ShortText | None], Field(max_length=MAX_VEHICLE_FACTS)
    ] = Field(default_factory=dict, description="Vehicle facts by id; null or left out is unknown.")
    findings: Annotated[list[FindingReport], Field(max_length=MAX_FINDINGS)] = Field(default_factory=list)
    measurements: Annotated[list[MeasurementReport], Field(max_length=MAX_MEASUREMENTS)] = Field(
        default_factory=list
    )
    trouble_codes: Annotated[list[ShortText], Field(max_length=MAX_CODES)] = Field(
        default_factory=list, description="Generic powertrain trouble codes, for instance P0299."
    )
