"""The first screen: the verdict and what to do about it, on 80 columns by 24 rows.

What it must hold is written in sizes, from the fullest to the tersest, and the first that fits the terminal
is shown: a verdict that scrolled away is no verdict. Everything else is in `terminal`, for `--full`. Colour
only repeats what a word already says.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import PurePath

from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.text import Text

from preflight.checks import check_named
from preflight.checks.cautions import CAN_STOP_ALL, MUTE_FIRST, TELL_FIRST
from preflight.checks.finding import Finding, Outcome
from preflight.checks.say import count_text, counted, listed
from preflight.checks.see.streams import all_streams
from preflight.checks.step import care
from preflight.facts import Facts
from preflight.report.daytime import Daytime
from preflight.report.inventory import NO_WORD, Device, devices_of, listening_port, silent
from preflight.report.page import LONGEST_TEXT, STYLES, WIDEST, wrap
from preflight.report.result import name_of
from preflight.report.terminal import place
from preflight.text import clean
from preflight.verdict import Ranked, Result, word

ROWS = 24
BESIDE = 2  # rows that the command itself and the next prompt take
SHOWN = 3  # things to mend
LABEL = 9  # columns of a label of the inventory
ALL = 99
NO_STREAM = "no stream heard: start the audio, or listen where it passes"
NO_SHEET = "none (--sheet FILE): who is missing or strange is not known"


# Lines of the inventory, what is missed most first: where there is no room for all, the last go first.
FIRST_CALLED = ("Missing", "Strange", "Sheet", "Filter", "Apart", "Here", "Audio", "Clock", "Unheard", "Port")


@dataclass(frozen=True)
class _Size:
    """How many rows a text may take: `band` the verdict, then headlines, cautions, lines of the inventory,
    the list of what was not judged. So many `lines` of the inventory there are, and so many of what has to be
    mended stand with their first `steps`: a step is whole or not there. Where a caution may take one row,
    there is only the first. `gaps` are empty rows between the parts."""

    band: int
    headline: int
    caution: int
    inventory: int
    unjudged: int
    lines: int = ALL
    steps: int = ALL
    gaps: bool = True
    seen: bool = False  # the first thing that shows what has to be mended, with its names


SIZES = (
    _Size(3, ALL, ALL, 3, 4, seen=True),
    _Size(1, ALL, ALL, 2, 2, seen=True),
    _Size(1, ALL, ALL, 1, 0, seen=True),
    _Size(1, ALL, ALL, 1, 0, gaps=False, seen=True),
    _Size(3, ALL, ALL, 3, 4),
    _Size(3, ALL, ALL, 2, 2),
    _Size(1, ALL, ALL, 2, 2),
    _Size(1, ALL, ALL, 1, 0),
    _Size(1, 3, 2, 1, 0),
    _Size(1, 3, 2, 2, 0, gaps=False),
    _Size(1, 2, 2, 1, 0, gaps=False),
    _Size(1, 2, 2, 1, 0, lines=4, gaps=False),
    _Size(1, 1, 2, 1, 0, lines=3, gaps=False),
    _Size(1, 1, 1, 1, 0, lines=2, gaps=False),
    _Size(1, 1, 1, 1, 0, lines=1, gaps=False),
    _Size(1, 1, 1, 1, 0, lines=0, gaps=False),
    _Size(1, 1, 1, 1, 0, lines=3, steps=2, gaps=False),
    _Size(1, 1, 1, 1, 0, lines=0, steps=2, gaps=False),
    _Size(1, 1, 1, 1, 0, lines=3, steps=1, gaps=False),
    _Size(1, 1, 1, 1, 0, lines=0, steps=1, gaps=False),
)


def show_screen(result: Result, console: Console, above: int = 0) -> None:
    """Write the first screen of `result`. `above` are rows that stand on the terminal already."""
    height = console.height if console.is_terminal else ROWS
    rows: list[Text] = []
    screen = _Screen(result, console)
    for size in SIZES:
        rows = screen.rows(size)
        if len(rows) <= height - BESIDE - above:
            break
    for row in rows:
        if not row.style:  # the band is as wide as the screen
            row.rstrip()
        console.print(row, soft_wrap=True)


class _Screen:
    def __init__(self, result: Result, console: Console) -> None:
        self._result = result
        self._width = min(console.width, WIDEST)
        self._marked = console.color_system is not None  # a plain terminal shows no colour and no bold
        self._daytime = Daytime(result.facts)
        self._devices = devices_of(result)
        found = result.verdict.findings
        self._to_mend = [ranked for ranked in found if ranked.fix_first is not None]
        self._follow = [ranked for ranked in found if ranked.explained_by]

    def rows(self, size: _Size) -> list[Text]:
        parts = (self._head(size), self._mend(size), self._inventory(size), self._counts(size))
        rows: list[Text] = []
        for part in parts:
            told = list(part)
            if told and rows and size.gaps:
                rows.append(Text())
            rows += told
        return rows

    def _told(
        self,
        text: str,
        most: int = ALL,
        *,
        lead: str = "",
        lead_style: str = "",
        indent: int = 0,
        hang: int | None = None,
        style: str = "",
    ) -> Iterator[Text]:
        """`text` in at most so many rows, the first behind `lead`, `indent` columns in; the others begin
        under it, or at `hang`. What does not fit is cut."""
        under = indent + cell_len(lead) if hang is None else hang
        first, width = (max(self._width - taken, 10) for taken in (indent + cell_len(lead), under))
        told = wrap(clean(text, LONGEST_TEXT), width, first)
        if len(told) > most:
            told[most - 1 :] = [_cut(f"{told[most - 1]} {told[most]}", first if most == 1 else width)]
        for number, row in enumerate(told):
            written = Text(" " * (under if number else indent))
            if number == 0:
                written.append(lead, lead_style)
            yield written.append(row, style)

    def _head(self, size: _Size) -> Iterator[Text]:
        """The verdict, and on what."""
        said = word(self._result)
        style = STYLES[self._result.verdict.verdict]
        if self._marked:
            blank = Text(" " * self._width, f"{style} reverse")
            band = Text(set_cell_size(f" {said}", self._width), f"{style} reverse")
            yield from (blank, band, blank) if size.band > 1 else (band,)
        else:
            line = Text("=" * self._width)
            yield Text(f"{said} {'=' * max(self._width - len(said) - 1, 0)}" if size.band == 1 else said)
            if size.band > 1:
                yield from (line, Text())
        yield from self._told(_seen(self._result.facts, self._daytime), max(size.headline, 2))
        refused = self._result.facts.wire_refused
        if refused:
            yield from self._told(refused, size.headline, lead="Not heard: ", lead_style="bold")

    def _mend(self, size: _Size) -> Iterator[Text]:
        """The first things to mend, each with its first step; what to take care of stands before them,
        once."""
        shown, source = self._to_mend[:SHOWN], self._result.facts.source
        cautions = _cautions(shown)
        for caution in cautions if size.caution > 1 else cautions[:1]:
            yield from self._told(caution, size.caution, lead="Take care: ", lead_style="bold yellow")
        for number, ranked in enumerate(shown, 1):
            finding = ranked.finding
            lead = f"{ranked.fix_first}. {finding.outcome.value.upper()} "
            where = next(filter(None, (place(each, self._daytime, source) for each in finding.evidence)), "")
            text = f"{finding.check}: {self._daytime.beside(finding.headline)}"
            style = STYLES[finding.outcome]
            headline = [*self._told(text + where, lead=lead, lead_style=style, hang=3)]
            if len(headline) > size.headline:  # where it was seen goes first
                headline = [*self._told(text, size.headline, lead=lead, lead_style=style, hang=3)]
            yield from headline
            for seen in finding.evidence[:1] if size.seen else ():
                if seen.text.rstrip(".") not in text:
                    yield from self._told(self._daytime.beside(seen.text), indent=3)
            for step in finding.fixes[:1] if number <= size.steps else ():
                yield from self._told(step.marked, lead="-> ", indent=3)
        rest = [ranked.finding.check for ranked in self._to_mend[SHOWN:]]
        follow = [ranked.finding.check for ranked in self._follow]
        if rest:
            yield from self._told(f"And {len(rest)} more: {', '.join(rest)}.", size.inventory)
        if follow:
            yield from self._told(f"{_follows(len(follow))}: {', '.join(follow)}.", size.inventory)
        if self._result.verdict.verdict == "unproven":
            yield from self._unproven(size)
        elif not shown:
            yield from self._told(f"Nothing to mend.{f' {NO_WORD}' if silent(self._result.facts) else ''}")

    def _unproven(self, size: _Size) -> Iterator[Text]:
        yield from self._told("Nothing could be judged, so this is neither a yes nor a no.", size.headline)
        for ranked in self._result.verdict.findings:
            finding, check = ranked.finding, check_named(ranked.finding.check)
            needed = check is not None and check.verdict == "needed"
            if needed and finding.outcome == Outcome.UNPROVEN and not self._result.facts.wire_refused:
                yield from self._told(finding.headline, size.headline)
                for caution in finding.cautions:
                    yield from self._told(caution, size.caution, lead="Take care: ", lead_style="bold yellow")
                for step in finding.fixes[:1]:
                    yield from self._told(step, lead="-> ", indent=3)

    def _inventory(self, size: _Size) -> Iterator[Text]:
        """Who is here, who is not, who leads the clock, what is heard of the audio, which port this is."""
        lines = [*self._lines(size)]
        labels = sorted((label for label, _, _ in lines), key=FIRST_CALLED.index)[: size.lines]
        for label, text, style in lines:
            if label not in labels:
                continue
            yield from self._told(
                text, size.inventory, lead=label.ljust(LABEL), lead_style="bold", style=style
            )

    def _lines(self, size: _Size) -> Iterator[tuple[str, str, str]]:
        """Label, words and style of each line."""
        facts = self._result.facts
        if facts.tally is not None and facts.source is not None and facts.source.frames:
            heard = [device for device in self._devices if device.heard]
            yield "Here", f"{counted(len(facts.tally.talkers), 'device')}: {_named(heard)}", ""
            yield from self._against_the_sheet(size)
            yield "Clock", self._clock(), ""
            yield "Audio", _audio(facts), ""
        if port := self._port():
            yield "Port", port, ""
        yield from self._of_the_file()

    def _against_the_sheet(self, size: _Size) -> Iterator[tuple[str, str, str]]:
        """Who of the rig sheet is not here, and who is here and not on it; on a small screen in one line."""
        if self._result.facts.sheet is None:
            if size.gaps:
                yield "Sheet", NO_SHEET, ""
            return
        gone, unheard, strange = (
            _named(device for device in self._devices if device.state == state)
            for state in ("missing", "silent", "stranger")
        )
        red = STYLES[Outcome.FAIL]
        if size.gaps:
            yield "Missing", gone or "nobody, as far as heard", red if gone else ""
            if unheard:
                yield "Unheard", f"{unheard}, which may have reasons", ""
            yield "Strange", strange or "nobody", red if strange else ""
        else:
            told = {"missing": gone, "strange": strange, "unheard": unheard}
            words = "; ".join(f"{state}: {names}" for state, names in told.items() if names)
            yield "Sheet", words or "all are here, nobody is strange", red if gone or strange else ""

    def _of_the_file(self) -> Iterator[tuple[str, str, str]]:
        """What a capture leaves out by its own words, and what each of its adapters alone says."""
        source = self._result.facts.source
        filters = {each.filter: None for each in source.interfaces if each.filter} if source else {}
        if filters:
            yield "Filter", f"{' / '.join(filters)}: nothing else was captured", ""
        if self._result.apart:
            told = (f"{each.adapter.shown}: {_short(each.result)}" for each in self._result.apart)
            yield "Apart", "; ".join(told), ""

    def _clock(self) -> str:
        leads = [
            f"{device.name} {words.replace('leads the clock', 'leads')}"
            for device in self._devices
            for words in device.does
            if words.startswith(("leads the clock", "passes on the clock", "announces a clock"))
        ]
        if leads:
            return "; ".join(leads)
        finding = self._result.finding_of("clock")
        return finding.headline if finding is not None else "none heard"

    def _port(self) -> str:
        """The port at the other end of the cable, and the link, as far as the switch or this computer
        tells."""
        facts, finding = self._result.facts, self._result.finding_of("neighbours")
        there = listening_port(finding)
        told = finding.measured if finding is not None else {}
        adapter = facts.host.adapter(facts.adapter) if facts.host is not None else None
        speed = (adapter.speed_mbps if adapter else None) or told.get("speed_mbps")
        duplex = (adapter.duplex if adapter else None) or told.get("duplex")
        if not there and finding is not None and finding.outcome == Outcome.PASS:
            there = finding.headline.rstrip(".")  # several neighbours
        rate = ", ".join(
            filter(None, (f"{speed} Mb/s" if speed else "", f"{duplex} duplex" if duplex else ""))
        )
        if not there and facts.tally is not None:
            there = "no switch told which one this is"
        return "; ".join(filter(None, (there, rate)))

    def _counts(self, size: _Size) -> Iterator[Text]:
        """How many checks said what, and how to see more."""
        by: dict[Outcome, list[Finding]] = {outcome: [] for outcome in Outcome}
        for ranked in self._result.verdict.findings:
            by[ranked.finding.outcome].append(ranked.finding)
        words = {Outcome.FAIL: "failed", Outcome.CAUTION: "cautioned", Outcome.PASS: "passed"}
        told = [f"{len(by[outcome])} {said}" for outcome, said in words.items() if by[outcome]]
        unproven = by[Outcome.UNPROVEN]
        if unproven:
            told.append(f"{len(unproven)} not judged")
        # Twenty checks that say "Not heard" are one thing.
        deaf = [finding for finding in unproven if finding.headline.startswith("Not heard: ")]
        names = [f"{len(deaf)} that need to listen"] if deaf else []
        names += [finding.check for finding in unproven if finding not in deaf]
        more = f": {', '.join(names)}" if unproven and size.unjudged else ""
        yield from self._told(
            f"{', '.join(told)}{more}.", size.unjudged or 1, lead="Checks".ljust(LABEL), lead_style="bold"
        )
        about = (
            f"number 1: preflight why {self._to_mend[0].finding.check}"
            if self._to_mend
            else "a check: preflight why NAME"
        )
        text = f"--full prints everything; about {about}"
        yield from self._told(text, 2 if size.gaps else 1, lead="More".ljust(LABEL), lead_style="bold")


def _short(result: Result) -> str:
    """The verdict's word, and what to mend first."""
    first = next((ranked.finding.check for ranked in result.verdict.findings if ranked.fix_first == 1), "")
    return f"{word(result)}, {first}" if first else word(result)


def _cut(text: str, width: int) -> str:
    """`text` cut at a space, with an ellipsis."""
    row = wrap(text, max(width - 1, 1))[0]
    return set_cell_size(row, width - 1).rstrip(" ,;:") + "…"


def _follows(many: int) -> str:
    return "1 follows from these" if many == 1 else f"{many} follow from these"


def _cautions(shown: list[Ranked]) -> list[str]:
    """Each once, what hurts hearing first. What explains the mark of a step is left out where no step shown
    has that mark."""
    explains = care(step for ranked in shown for step in ranked.finding.fixes[:1])
    told = dict.fromkeys(
        caution
        for ranked in shown
        for caution in ranked.finding.cautions
        if caution not in (TELL_FIRST, CAN_STOP_ALL) or caution in explains
    )
    return sorted(told, key=lambda caution: caution != MUTE_FIRST)


def _named(devices: Iterable[Device]) -> str:
    """Those with a name of their own first; of the others each maker once, with the ends of the addresses."""
    devices = list(devices)
    others: dict[str, list[str]] = {}
    for device in devices:
        if not device.told:
            made, _, end = device.name.rpartition(" ")
            others.setdefault(made, []).append(end)
    named = listed(device.name for device in devices if device.told)
    return ", ".join(filter(None, (named, *(f"{made} {', '.join(ends)}" for made, ends in others.items()))))


def _seen(facts: Facts, daytime: Daytime) -> str:
    source = facts.source
    if source is None:
        return f"{name_of(facts)}: this computer only."
    name = PurePath(source.name).name or source.name
    told = [f"{counted(source.frames, 'frame')} in {source.duration_s:.1f} s"]
    told += ["" if facts.vantage == "unknown" else facts.vantage, "stopped by hand" if source.partial else ""]
    told.append(source.parts)
    told.append(daytime.span())
    return f"{name}: {', '.join(filter(None, told))}"


def _audio(facts: Facts) -> str:
    """The streams that were heard, and how well they came; steady flows that do not count their frames are
    only named."""
    streams = all_streams(facts)
    counting = {id(flow) for _, flow in streams}
    flows = facts.tally.flows if facts.tally is not None else ()
    others = sum(flow.stream and id(flow) not in counting for flow in flows)
    beside = f"; {counted(others, 'other steady flow')}" if others else ""
    if not streams:
        return f"no stream heard that counts its packets{beside}" if beside else NO_STREAM
    lost, due = (sum(getattr(stream, name) for stream, _ in streams) for name in ("lost", "expected"))
    rates = sorted({stream.clock_hz for stream, _ in streams if stream.clock_hz})
    rate = f" at {', '.join(f'{hz / 1000:g}' for hz in rates[:3])} kHz" if rates else ""
    how = f"{count_text(lost)} of {count_text(due)} packets lost" if lost else "no packet lost"
    return f"{counted(len(streams), 'stream')}{rate}, {how}{beside}"
