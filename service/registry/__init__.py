"""For registries: courses of many sites as tables, outcomes with their uncertainty, Measures, and a simulator."""
