"""Exports after Bulk Data Access 2.0 (https://hl7.org/fhir/uv/bulkdata/): what was asked, jobs, the worker, files."""
