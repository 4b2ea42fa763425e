"""Reading and filling the forms of the pages as a browser without script does."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

CHECK_AT = {"performer/identifier/value": "n-1104", "performer/display": "R. Ostrander"}


@dataclass
class PostedForm:
    """The one form of a page that posts: where to, and what stands in it."""

    action: str = ""
    fields: dict[str, list[str]] = field(default_factory=dict)

    def filled(self, **texts: object) -> dict[str, list[str]]:
        """What is sent after typing; names with / are given in a dictionary `also`."""
        also = texts.pop("also", {})
        said = {name: list(values) for name, values in self.fields.items()}
        for name, text in {**texts, **also}.items():  # type: ignore[dict-item]  # names of fields
            said[name] = [str(one) for one in text] if isinstance(text, list) else [str(text)]
        return said


class _Reader(HTMLParser):
    def __init__(self):
        super().__init__()
        self.form = PostedForm()
        self.inside = False
        self.text_of = self.select_of = ""

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        name = given.get("name", "")
        if tag == "form":
            self.inside = given.get("method") == "post"
            self.form.action = given["action"] if self.inside else self.form.action
        elif self.inside and tag == "input" and name:
            if given.get("type") not in ("radio", "checkbox") or "checked" in given:
                self.form.fields.setdefault(name, []).append(given.get("value", ""))
        elif self.inside and tag == "textarea":
            self.text_of = name
            self.form.fields[name] = [""]
        elif self.inside and tag == "select":
            self.select_of = name
        elif self.inside and tag == "option" and "selected" in given:
            self.form.fields[self.select_of] = [given["value"]]

    def handle_endtag(self, tag):
        self.inside = self.inside and tag != "form"
        self.text_of = "" if tag == "textarea" else self.text_of

    def handle_data(self, data):
        if self.text_of:
            self.form.fields[self.text_of][0] += data.removeprefix("\n")


def posted_form(page: str) -> PostedForm:
    """The form of a page that posts."""
    reader = _Reader()
    reader.feed(page)
    return reader.form
