"""Diagnosis: from what was seen of a run to its most probable causes. Pure; a function of plan and evidence alone."""
