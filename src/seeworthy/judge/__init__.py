"""Judgement: verbs that compare, decide, plan and correct, and return finished rows."""
