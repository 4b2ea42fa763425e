"""Sending what was stored to the FHIR servers of the hospital: once, in order, and noticed where it does not arrive."""
