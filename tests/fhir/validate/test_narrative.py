import pytest

from service.fhir.validate.narrative import has_text, is_basic_html

XHTML = 'xmlns="http://www.w3.org/1999/xhtml"'


@pytest.mark.parametrize(
    "div",
    [
        f"<div {XHTML}>Gap 31.0 mm</div>",
        f'<div {XHTML} xml:lang="en" lang="en"><table class="grid"><tr><td colspan="2">31</td></tr></table></div>',
        f'<div {XHTML}><p>a<br/>b</p><a href="https://ward.example">ward</a><img src="#photo" alt="wound"/></div>',
        '<h:div xmlns:h="http://www.w3.org/1999/xhtml"><h:b>31</h:b></h:div>',
        f"<div {XHTML}>31 &lt; 40 &#8230;</div>",
    ],
)
def test_basic_formatting_is_accepted(div):
    assert is_basic_html(div)
    assert has_text(div)


@pytest.mark.parametrize(
    "div",
    [
        "<div>no namespace</div>",
        f"<p {XHTML}>not a div</p>",
        f"<div {XHTML}>not closed",
        f"<div {XHTML}>a<br>b</div>",
        f"<div {XHTML}>x</div><div {XHTML}>y</div>",
        f"<div {XHTML}><script>alert(1)</script></div>",
        f"<div {XHTML}><style>p {{}}</style></div>",
        f"<div {XHTML}><iframe src='x'/></div>",
        f"<div {XHTML}><form><input/></form></div>",
        f"<div {XHTML}><p onclick='x()'>a</p></div>",
        f"<div {XHTML}><a href=' JavaScript:alert(1)'>a</a></div>",
        f'<!DOCTYPE div [<!ENTITY a "b">]><div {XHTML}>&a;</div>',
        f"<div {XHTML}>&nbsp;</div>",
        "plain text",
    ],
)
def test_active_foreign_or_broken_markup_is_refused(div):
    # narrative.html: no head, body, script, form, base, link, frame, event attributes; well-formed XHTML
    assert not is_basic_html(div)


@pytest.mark.parametrize("inner", ["", "  ", "<p> </p>", "<br/>", "\u00a0"])
def test_a_narrative_that_says_nothing_has_no_text(inner):
    assert not has_text(f"<div {XHTML}>{inner}</div>")


def test_a_picture_alone_says_something():
    assert has_text(f'<div {XHTML}><img src="#photo" alt="wound"/></div>')
