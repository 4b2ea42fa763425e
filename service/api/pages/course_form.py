"""The form that opens a course: patient, wound, decision."""

from service.api.pages.fields import Field, Form, Part
from service.report.texts import _

CAUSES = ("fasciotomy", "trauma", "surgical-dehiscence", "other")
BODY_SITES = (
    "upper-arm", "forearm", "hand", "thigh", "lower-leg", "foot", "abdomen", "back", "flank", "buttock", "chest",
    "other",
)  # fmt: skip
SIDES = ("left", "right", "midline")
ENDS = ("proximal", "distal", "cranial", "caudal", "medial", "lateral")
GENDERS = ("male", "female", "other", "unknown")


def course_form(patient_system: str) -> Form:
    """A new course; `patient_system`: the register of patient numbers that the site used last."""
    register = _("An address that names the register, such as https://hospital.example/patient-number")
    patient = (
        Field("patient/identifier/value", "line", required=True, label=_("Patient number"), longest=64),
        Field(
            "patient/identifier/system", "line", required=True, label=_("Patient numbers are those of"),
            hint=register, longest=200,
        ),
        Field("patient/family", "line", longest=100),
        Field("patient/given", "names", hint=_("Several names apart by commas"), longest=500),
        Field("patient/birth_date", "day"),
        Field("patient/gender", "choice", options=GENDERS),
    )  # fmt: skip
    wound = (
        Field("wound/cause", "choice", required=True, options=CAUSES),
        Field("wound/body_site", "choice", required=True, options=BODY_SITES),
        Field("wound/laterality", "choice", options=SIDES),
        Field("wound/length_mm", "number", required=True),
        Field("wound/reference_end", "choice", required=True, options=ENDS, span=True),
        Field("wound/description", "text", longest=500, span=True),
    )
    own = (
        Field("course_id", "line", required=True, hint=_("Letters, digits, hyphens and points"), longest=64),
        Field("opened_at", "time", required=True),
    )
    parts = (Part(_("Patient"), patient), Part(_("Wound"), wound), Part(_("Course"), own))
    return Form("course", _("New course"), parts, values={"patient/identifier/system": patient_system})
