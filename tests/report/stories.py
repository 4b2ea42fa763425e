"""Stories of courses without a database: the examples, and random ones."""

from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from service import strict_json
from service.config import Settings
from service.intake.review import Known, review_course_file
from service.projection import Site, open_site
from service.report.story import CourseStory, tell

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "examples").glob("*/course*.json"))
LONG = EXAMPLES[0]  # thirteen entries with a forecast, then closed
BASE = "https://readings.example/fhir"


@cache
def site() -> Site:
    """The site of the shipped tables."""
    return open_site(Settings())


def story_of_document(
    document: dict, zone: str = "Europe/Vienna", after: timedelta = timedelta(hours=3)
) -> CourseStory:
    """The story of a course file some hours after its last entry."""
    times = [datetime.fromisoformat(entry["at"]) for entry in document["entries"]]
    now = max([*times, datetime.fromisoformat(document["course"]["opened_at"])]) + after
    reviewed = review_course_file(document, Known(), now)
    known = Known(reviewed.course, reviewed.course_digest, [one.charted for one in reviewed.entries], {})
    return tell(site(), BASE, ZoneInfo(zone), known, now)


def example(path: Path = LONG, entries: int | None = None, **texts: object) -> CourseStory:
    """An example's story, of its first entries only; `texts` go into the patient."""
    document = strict_json.read(path.read_bytes())
    document["entries"] = document["entries"][:entries]
    document["course"]["patient"] |= texts
    return story_of_document(document)
