"""The page of the desk: wishes on one side, the map and the day that come of them beside it."""

from __future__ import annotations

from concurrent.futures import Future
from functools import partial
from importlib.resources import files
from pathlib import Path
from time import perf_counter
from typing import Any

import jinja2
from bokeh.core.templates import FILE
from bokeh.document import Document
from bokeh.events import ConnectionLost, DocumentReady
from bokeh.models import CustomJS, Div, InlineStyleSheet
from markupsafe import Markup

from searcher.brief.page import NO_ROUTE, clock_rows, verdict
from searcher.brief.stories import expected, proof_words, stay_rows
from searcher.brief.words import cautions_of, named_boxes, steps_of
from searcher.desk.chart import Chart
from searcher.desk.form import Form
from searcher.desk.handover import write_aside, write_over
from searcher.desk.whatif import Desk, WhatIf, say_order
from searcher.desk.wishes import say_changes
from searcher.errors import SearcherError
from searcher.plan import Plan

DECIDES = "The official marine forecast decides, not this page."
PROVING = "Whether another day of these boxes promises more is being worked out."
#: time for the page to say that something is being worked out before it is, ms
BREATH = 60
#: in the browser, once the desk answers no more
LOST = "document.getElementById('lost').hidden = false; document.querySelector('main').inert = true"
#: the little arrows beside a number have no name, and by keys the field itself does what they do
NO_STOPS = """
const within = (node) => [...node.children, ...(node.shadowRoot?.children ?? [])];
const mend = (node) => {
  if (node.classList.contains("bk-spin-btn")) {
    node.tabIndex = -1;
    node.ariaHidden = "true";
  }
  within(node).forEach(mend);
};
mend(document.body);
"""
HERE = files("searcher.desk")


def _read(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")


WORDS = jinja2.Environment(
    loader=jinja2.FunctionLoader(_read), autoescape=True, undefined=jinja2.StrictUndefined
)
WHOLE = jinja2.Environment(loader=FILE.environment.loader, autoescape=False, extensions=["jinja2.ext.do"])


def day_facts(plan: Plan) -> dict[str, Any]:
    """What is told of a plan, as words: that of the page, but for what the desk does not show."""
    boxes = plan.boxes[plan.boxes["rank"].isin(list(named_boxes(plan)))].sort_values("rank")
    return {
        "verdict": NO_ROUTE if plan.legs.empty else verdict(plan.conditions),
        "zone": f"{plan.trip.show.local(plan.trip.window.start):%Z}",
        "clock": clock_rows(plan, steps_of(plan)),
        "stays": stay_rows(plan),
        "proof": proof_words(plan),
        "boxes": [
            {"rank": int(box["rank"]), "why": box["why"], "expected": expected(box)}
            for _, box in boxes.iterrows()
        ],
        "all_boxes": len(plan.boxes),
    }


class Page:
    """One tab: its wishes, and the last of them that could be planned.

    A plan is shown as soon as there is one; how much better another might be is worked out beside, while the
    page goes on answering.
    """

    def __init__(self, desk: Desk, first: WhatIf) -> None:
        self.desk, self.found = desk, first
        self.doc: Document | None = None
        self.refused, self.state, self.changed, self.waiting = "", "As the trip file says.", "", False
        self.answers = 0  # how often something that was wished has been done or refused
        style = InlineStyleSheet(css=_read("parts.css"))
        part = {"sizing_mode": "stretch_width", "stylesheets": [style]}
        self.watch, self.day = Div(name="watch", **part), Div(name="day", **part)
        self.form = Form(desk.trip, style, change=self.ask, write=self.write, back=self.back)
        self.chart = Chart(style)
        self.chart.box.name = "map"

    def fill(self, doc: Document) -> None:
        """Lay the page out."""
        self.doc = doc
        doc.template = WHOLE.from_string(_read("page.html"))
        doc.template_variables.update(
            base=FILE,
            css=_read("page.css"),
            words=(files("searcher.brief") / "readout.js").read_text(encoding="utf-8"),
            port=Markup.escape(self.desk.trip.port.name),
        )
        for part in (self.watch, self.form.box, self.chart.box, self.day):
            doc.add_root(part)
        doc.js_on_event(ConnectionLost, CustomJS(code=LOST))
        doc.js_on_event(DocumentReady, CustomJS(code=NO_STOPS))
        self._draw()
        self._tell()

    def ask(self) -> None:
        """Plan what is wished now, as soon as the page has said that it is being worked out."""
        self.refused, self.state = "", "Working it out …"
        self._tell_state()
        if not self.waiting:
            self.waiting = True
            assert self.doc is not None  # whoever asks sees the page
            self.doc.add_timeout_callback(self._work, BREATH)

    def _work(self) -> None:
        self.waiting, began = False, perf_counter()
        self.answers += 1
        before = self.found
        try:
            found = self.desk.plan(self.form.wishes(), before=before, prove=False)
        except SearcherError as error:
            self.refused = str(error)
            self.form.list_boxes(self.found)
            self._tell()
            return
        self._show(found, before)
        said = f"Worked out in {perf_counter() - began:.1f} s."
        self.state = " ".join((said, *found.notes, PROVING))
        self._tell()
        self._prove(found, before)

    def back(self) -> None:
        """Wish again what the plan that is shown was made for."""
        self.refused, self.state = "", "The last change was taken back."
        self.answers += 1
        self.form.take(self.found.wishes)
        self.form.list_boxes(self.found)
        self._tell()

    def _show(self, found: WhatIf, before: WhatIf) -> None:
        """Draw a plan, with what it changes of the one before."""
        self.found = found
        self.changed = say_order(before.plan, found.plan)
        self._draw()

    def _prove(self, found: WhatIf, before: WhatIf) -> None:
        """Work out the proof of a plan in a thread of its own, and show it."""

        def work() -> WhatIf:
            return self.desk.prove(found) if self.found is found else found  # else another wish has come

        def tell(done: Future[WhatIf]) -> None:
            assert self.doc is not None  # the plan is shown in it
            self.doc.add_next_tick_callback(partial(self._take, found, before, done))

        self.desk.beside.submit(work).add_done_callback(tell)

    def _take(self, found: WhatIf, before: WhatIf, done: Future[WhatIf]) -> None:
        """Show the proof of a plan if that is still shown, and the better day where one was found."""
        if self.found is not found:
            return
        try:
            proven = done.result()
        except SearcherError:  # of a better tour no day came that works every pinned box
            proven = found
        if proven.plan.legs.equals(found.plan.legs):
            self.found = proven
        else:
            self._show(proven, before)
        self.state = self.state.replace(PROVING, "").strip()
        self._tell()

    def _draw(self) -> None:
        self.chart.show(self.found.plan)
        self.chart.on_pick(self.form.choose)
        self.form.pinned, self.form.banned = set(self.found.wishes.pinned), set(self.found.wishes.banned)
        self.form.list_boxes(self.found)

    def _tell(self) -> None:
        """Write everything that is words."""
        found = self.found
        self.chart.mark(old=bool(self.refused))
        self.day.text = WORDS.get_template("day.html").render(
            day_facts(found.plan)
            | {
                "old": bool(self.refused),
                "changed": self.changed,
                "wished": say_changes(self.desk.trip, found.wishes),
                "pinned": found.wishes.pinned,
                "banned": found.wishes.banned,
            }
        )
        self._tell_state()

    def _tell_state(self) -> None:
        self.form.allow(write=not self.refused and not self.waiting, back=bool(self.refused))
        self.watch.text = WORDS.get_template("watch.html").render(
            refused=self.refused,
            state=self.state,
            answers=self.answers,
            decides=DECIDES,
            cautions=cautions_of(self.found.plan),
        )

    def write(self, over: bool) -> None:
        """Write the files of the plan that is shown, which says where it departs from the trip file."""
        plan, home = self.desk.with_notes(self.found), Path(self.desk.trip.folder)
        self.answers += 1
        try:
            paths = (write_over if over else write_aside)(plan, home)
        except SearcherError as error:
            self.state = f"Nothing was written: {error}"
        else:
            self.state = f"Wrote {len(paths)} files in {paths[0].parent}."
        self._tell_state()
