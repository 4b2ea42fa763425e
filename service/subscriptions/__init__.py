"""Subscriptions of R4 by topic: what may be agreed on, what is told, and who tells it."""
