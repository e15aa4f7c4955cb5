"""The campaign file: what is stressed, how, and what is to be shown. Parsed and validated as a whole."""

from monitor.campaign.model import (
    Campaign,
    Chip,
    FailureRule,
    MechanismSpec,
    Problem,
    ProfileLine,
    Source,
    Stress,
    Use,
)
from monitor.campaign.parse import CampaignError, load, parse

__all__ = [
    "Campaign",
    "CampaignError",
    "Chip",
    "FailureRule",
    "MechanismSpec",
    "Problem",
    "ProfileLine",
    "Source",
    "Stress",
    "Use",
    "load",
    "parse",
]
