"""From the clinic's words to FHIR R4: one function a resource, FHIR-shaped dicts, keys in the order of R4's pages.

Sub-trees that many resources share (codings, meta, references) are built once and shared: whoever changes a resource
copies what it changes. Decimals stay `decimal.Decimal` with the digits that were read.
"""
