"""Official R4 examples that break R4 themselves: file -> the rule, and a text that stands in each of their errors.

Every line was compared with the specification; none is listed because a check was too strict for it.
"""

_TARGET = "the element's page lists the allowed targets"
_UCUM = "the UCUM system is named with a code that UCUM (https://ucum.org/ucum) does not have"
_FULL_URL = "Bundle.entry.fullUrl: SHALL NOT disagree with the id in the resource"
_OID = "uri: a urn:oid is a whole one (http://hl7.org/fhir/R4/datatypes.html#oid)"
_CODE = "code: no blank at the end; a mangled no-break space stands there"
_BASE = "SearchParameter.base has the cardinality 1..*"
_SDF4 = "sdf-4: abstract is false and baseDefinition is missing"

FAULTY: dict[str, tuple[str, str]] = {
    "Observation-clinical-gender": (_TARGET, "Observation.performer[0] refers to Encounter"),
    "DeviceUseStatement-example": (_TARGET, "DeviceUseStatement.reasonReference[0] refers to Procedure"),
    "MedicationRequest-medrx0301": (_TARGET, "MedicationRequest.dispenseRequest.performer refers to Practitioner"),
    "Bundle-father": (_UCUM, "'tbl'"),
    "Observation-bmd": ("g/cm-2 reads gram times square centimetre; a density of an area is g/cm2", "'g/cm-2'"),
    "MedicationRequest-medrx0304": (f"{_UCUM}: a drop is [drp]", "'drop'"),
    "MedicationRequest-medrx0314": (f"{_UCUM}: a microgram is ug", "'mcg'"),
    "MedicationRequest-medrx0319": (f"{_UCUM}: an hour is h", "'ml/hr'"),
    "MedicationRequest-medrx0322": (f"{_UCUM}: an equivalent is eq", "'mEq'"),
    **{f"MedicationRequest-medrx03{n}": (f"{_UCUM}: each is {{each}}", "'ea'") for n in (25, 26, 28, 29, 34, 35)},
    "Bundle-10bb101f-a121-4264-a920-67be9cb82c74": (_FULL_URL, "does not end in the type and id of its resource"),
    "Bundle-3a0707d3-549e-4467-b8b8-5a2ab3800efe": (_FULL_URL, "does not end in the type and id of its resource"),
    "Bundle-lri-example": (_FULL_URL, "does not end in the type and id of its resource"),
    "Bundle-dataelements": ("bdl-7: a fullUrl stands twice", "bdl-7"),
    "Bundle-v2-valuesets": (_CODE, "code"),
    "CodeSystem-v2-0550": (_CODE, "code"),
    "ImplementationGuide-fhir": (
        "name and status have the cardinality 1..1, an id has 64 characters",
        "Implementation",
    ),
    "Library-zika-virus-intervention-logic": (_OID, "'urn:oid:X.Y.Z'"),
    "Questionnaire-qs1": ("Questionnaire.item.linkId has the cardinality 1..1", "linkId is required"),
    "Questionnaire-zika-virus-exposure-assessment": ("txt-2: the narrative is an empty div", "txt-2"),
    "SearchParameter-questionnaireresponse-extensions-QuestionnaireResponse-item-subject": (
        "an id has at most 64 characters",
        "is no id",
    ),
    **{
        f"SearchParameter-{kind}-extensions-{name}-{element}": (_BASE, "base is required")
        for kind, name in (("codesystem", "CodeSystem"), ("valueset", "ValueSet"))
        for element in ("author", "effective", "end", "keyword", "workflow")
    },
    **{f"StructureDefinition-{name}": (_SDF4, "sdf-4") for name in ("Definition", "Event", "FiveWs", "Request")},
}
