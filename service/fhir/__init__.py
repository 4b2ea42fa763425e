"""FHIR R4 (4.0.1): resources built from readings, validated, projected."""
