"""HTTP: the intake side, the FHIR side and the start page."""
