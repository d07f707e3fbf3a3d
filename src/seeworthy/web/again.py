"""A form that was refused comes back as it was typed, with what is wrong beside its field.

The page that held the form is rendered anew and what was typed is put back into its markup:
one place for every form, so that no page has to remember its own fields.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from html.parser import HTMLParser

Pairs = Sequence[tuple[str, str]]
Attributes = list[tuple[str, str | None]]
_LEFT = {"hidden", "file", "submit", "button"}  # what the page itself says, not the user
_TICKED = {"checkbox", "radio"}


@dataclass
class _FormSeen:
    """One form of a page: where it sends to, what is fixed in it, and the folds around it."""

    actions: set[str]
    folds: tuple[int, ...]
    fixed: set[tuple[str, str]] = field(default_factory=set)


class _Finder(HTMLParser):
    """Collects the forms of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[_FormSeen] = []
        self._folds: list[int] = []
        self._fold = -1
        self._inside = False

    def handle_starttag(self, tag: str, attrs: Attributes) -> None:
        said = dict(attrs)
        if tag == "details":
            self._fold += 1
            self._folds.append(self._fold)
        elif tag == "form":
            self.forms.append(_FormSeen({said.get("action") or ""}, tuple(self._folds)))
            self._inside = True
        elif self._inside and tag == "button" and said.get("formaction"):
            self.forms[-1].actions.add(said["formaction"] or "")
        elif self._inside and tag == "input" and said.get("type") == "hidden":
            self.forms[-1].fixed.add((said.get("name") or "", said.get("value") or ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "details" and self._folds:
            self._folds.pop()
        elif tag == "form":
            self._inside = False


class _Filler(HTMLParser):
    """Writes a page again with one form filled in."""

    def __init__(self, target: int, folds: Sequence[int], pairs: Pairs, wrong: str, at: str):
        super().__init__(convert_charrefs=False)
        self.out: list[str] = []
        self._target, self._folds, self._wrong, self._at = target, set(folds), wrong, at
        self._typed: dict[str, list[str]] = {}
        for name, value in pairs:
            self._typed.setdefault(name, []).append(value)
        self._form = self._fold = -1
        self._inside = False
        self._area = False  # inside a textarea whose text is replaced
        self._select: list[str] | None = None
        self._option: Attributes | None = None
        self._owed = False  # the words are due when the select or the textarea ends

    def handle_starttag(self, tag: str, attrs: Attributes) -> None:
        raw = self.get_starttag_text() or ""
        if tag == "details":
            self._fold += 1
            if self._fold in self._folds and ("open", None) not in attrs:
                raw = _tag(tag, [*attrs, ("open", None)])
        elif tag == "form":
            self._form += 1
            self._inside = self._form == self._target
            self.out.append(raw)
            if self._inside and not self._at:
                self.out.append(self._wrong)
            return
        elif self._inside and tag in ("input", "select", "textarea", "option"):
            self._fill(tag, attrs, raw)
            return
        self.out.append(raw)

    def _fill(self, tag: str, attrs: Attributes, raw: str) -> None:
        said = dict(attrs)
        name, kind = said.get("name") or "", said.get("type") or "text"
        if tag == "option":
            if self._select is None:
                self.out.append(raw)
            else:
                self._option = [a for a in attrs if a[0] != "selected"]
                if said.get("value") is not None:
                    self._choose(said["value"] or "")
            return
        if tag == "input" and kind in _LEFT:
            self.out.append(raw)
            return
        typed = self._typed.get(name, [])
        kept = list(attrs)
        if tag == "input" and kind in _TICKED:
            kept = [a for a in attrs if a[0] != "checked"]
            kept += [("checked", None)] if (said.get("value") or "on") in typed else []
        elif tag == "input" and name in self._typed:
            kept = [a for a in attrs if a[0] != "value"]
            kept.append(("value", typed.pop(0) if typed else ""))
        here = bool(self._at) and name == self._at
        if here:
            self._at = ""  # the first field of that name, and no other
            kept += [("aria-invalid", "true"), ("aria-describedby", "wrong"), ("autofocus", None)]
            kept = list(dict(kept).items())
        self.out.append(_tag(tag, kept))
        if tag == "textarea" and name in self._typed:
            self.out.append(escape(typed[0] if typed else ""))
            self._area = True
        elif tag == "select" and name in self._typed:
            self._select = typed
        if here and tag == "input":
            self.out.append(self._wrong)
        self._owed = self._owed or (here and tag != "input")

    def _choose(self, value: str) -> None:
        assert self._option is not None
        assert self._select is not None
        chosen = [("selected", None)] if value in self._select else []
        self.out.append(_tag("option", [*self._option, *chosen]))
        self._option = None

    def handle_startendtag(self, tag: str, attrs: Attributes) -> None:
        self.out.append(self.get_starttag_text() or "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "option" and self._option is not None:
            self._choose("")
        self.out.append(f"</{tag}>")
        if tag == "form":
            self._inside = False
        elif tag == "select":
            self._select = None
        elif tag == "textarea":
            self._area = False
        if tag in ("select", "textarea") and self._owed:
            self.out.append(self._wrong)
            self._owed = False

    def handle_data(self, data: str) -> None:
        if self._option is not None:
            self._choose(data.strip())
        if not self._area:
            self.out.append(data)

    def handle_entityref(self, name: str) -> None:
        self.handle_data(f"&{name};")

    def handle_charref(self, name: str) -> None:
        self.handle_data(f"&#{name};")

    def handle_decl(self, decl: str) -> None:
        self.out.append(f"<!{decl}>")

    def handle_comment(self, data: str) -> None:
        self.out.append(f"<!--{data}-->")


def _tag(tag: str, attrs: Attributes) -> str:
    said = "".join(f" {n}" if v is None else f' {n}="{escape(v)}"' for n, v in attrs)
    return f"<{tag}{said}>"


def refill(
    html: str, action: str, pairs: Pairs, message: str, hint: str = "", at: str = ""
) -> str | None:
    """Return a page with a form as it was typed and the words beside the field.

    Args:
        html: The page as it stands.
        action: Where the form was sent; of several with this address it is the one whose fixed
            fields are most like what came.
        pairs: sequence of (field, value). As typed.
        message, hint: What is wrong, what to do.
        at: Name of the field at fault, ``""`` for the form as a whole.

    Returns:
        None where the page has no such form.
    """
    finder = _Finder()
    finder.feed(html)
    typed = set(pairs)
    fitting = [i for i, form in enumerate(finder.forms) if action in form.actions]
    if not fitting:
        return None
    target = max(fitting, key=lambda i: len(finder.forms[i].fixed & typed))
    wrong = (
        f'<p class="wrong" id="wrong" role="alert"><strong>{escape(message)}</strong> '
        f"{escape(hint)}</p>"
    )
    filler = _Filler(target, finder.forms[target].folds, pairs, wrong, at)
    filler.feed(html)
    filler.close()
    return "".join(filler.out)
