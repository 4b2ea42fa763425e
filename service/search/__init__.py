"""Search as FHIR R4 means it: which parameters there are, what a resource is found by, what a client asked for."""
