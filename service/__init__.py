"""Bedside readings of gradual wound closure in, validated FHIR R4 out."""

__version__ = "0.1.0"
