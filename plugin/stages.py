"""The stages of the work: the groups that steps appear under, in the order of the job."""

STAGES = {
    "plan": "Plan",
    "intake": "Bring in",
    "check": "Check",
    "correct": "Correct",
    "gridding": "Grid",
    "interpret": "Interpret",
    "ground": "Ground model",
    "deliver": "Deliver",
}
