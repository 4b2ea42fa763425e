"""The published constraints as plain functions, one module for each kind of resource. Importing registers them."""

from service.fhir.validate.invariants import clinical, datatypes, definitions, domain, questionnaires

__all__ = ["clinical", "datatypes", "definitions", "domain", "questionnaires"]
