"""What a rig gets in the final image, what made a difference, and what to change next."""

from helpers.error_budget.cases import KNOWN, Priors
from helpers.error_budget.causes import FACTORS, attribute, attribute_intervals, unexplained
from helpers.error_budget.diagnosis import CAUSES, MEASUREMENTS, Diagnosis, diagnose, diagnose_anew, invented_nights
from helpers.error_budget.next_change import Option, usual_changes, what_next
from helpers.error_budget.nights import SPREADS
from helpers.error_budget.own_log import LogFacts, facts_of
from helpers.error_budget.predict import predict
from helpers.error_budget.suspects import SEVERAL, Suspect, suspects
from helpers.error_budget.terms import MODEL_ERROR, Budget, evaluate, stars_like
from helpers.guide_field.usable import USABLE_ERROR

__all__ = [
    "CAUSES",
    "FACTORS",
    "KNOWN",
    "MEASUREMENTS",
    "MODEL_ERROR",
    "SEVERAL",
    "SPREADS",
    "USABLE_ERROR",
    "Budget",
    "Diagnosis",
    "LogFacts",
    "Option",
    "Priors",
    "Suspect",
    "attribute",
    "attribute_intervals",
    "diagnose",
    "diagnose_anew",
    "evaluate",
    "facts_of",
    "invented_nights",
    "predict",
    "stars_like",
    "suspects",
    "unexplained",
    "usual_changes",
    "what_next",
]
