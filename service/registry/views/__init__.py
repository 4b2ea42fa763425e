"""SQL-on-FHIR v2 ViewDefinitions run on DuckDB: compiled once to SQL over typed columns."""
