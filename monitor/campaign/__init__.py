"""The campaign file: what is stressed, how, and what is to be shown. Parsed and validated as a whole."""

from monitor.campaign.model import (
    Campaign,
    Chip,
    ClaimsRule,
    FailureRule,
    Macro,
    Problem,
    Source,
    Stress,
    Use,
)
from monitor.campaign.parse import CampaignError, load, parse

__all__ = [
    "Campaign",
    "CampaignError",
    "Chip",
    "ClaimsRule",
    "FailureRule",
    "Macro",
    "Problem",
    "Source",
    "Stress",
    "Use",
    "load",
    "parse",
]
