"""The index of many captures as a page: a row each, which links its report; filters by verdict and by check.

Made as the page of one capture is: nothing of any network, all text escaped, no script but its own. Without
scripts every row is there, and nothing filters.
"""

import hashlib
from collections.abc import Sequence

from preflight.report.html import file_text, render
from preflight.report.many import TOTALS, Row, short_names, totals


def as_index(rows: Sequence[Row], pages: Sequence[str], notes: Sequence[str] = ()) -> str:
    """`pages` are the file names of the reports beside it, "" where there is none."""
    names = short_names([row.name for row in rows])
    return render(
        "index.html",
        file_text("page.css"),
        (file_text("index.js"),),
        totals=totals(rows),
        notes=notes,
        rows=list(zip(rows, names, pages, strict=True)),
        verdicts=[verdict for verdict in TOTALS if any(row.verdict == verdict for row in rows)],
        checks=sorted({check for row in rows for check in row.checks}),
    )


def page_name(number: int, name: str) -> str:
    """The file name of a report: its place in the list, and what of the capture's name is safe everywhere."""
    inner = name.replace("\\", "/").rsplit("/", 1)[-1].rsplit(": ", 1)[-1]
    safe = "".join(each if each.isascii() and (each.isalnum() or each in "-_") else "-" for each in inner)
    return f"{number:03}-{safe.strip('-')[:60] or hashlib.sha256(name.encode()).hexdigest()[:8]}.html"
