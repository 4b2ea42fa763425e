"""The words that stand wherever people act on numbers."""

CAUTION = (
    "Decision support for trained staff: local protocol and the treating surgeon decide. The numbers are no substitute "
    "for looking at the limb. Signs of compartment syndrome, ischaemia or infection need a clinician at once."
)
