"""One record of the rate database to the text of a tariff file, and what could not be carried over."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

from tariffs.errors import TariffError
from tariffs.reading.toml import toml_text
from tariffs.records.demand import FLAT_NAME, demand_tables
from tariffs.records.fields import Record, Tiers, one_line, read_record
from tariffs.records.left import left_over
from tariffs.records.toml import by_season, comment, key, number, strings, when_lines
from tariffs.records.when import Seasons, hours_of, named_bands, seasons_of
from tariffs.sheet.load import parse_tariff
from tariffs.sheet.tariff import WHOLE_YEAR

_ZERO = Decimal(0)


@dataclass(frozen=True)
class Converted:
    """A tariff file made from a record.

    Attributes
    ----------
    record : Record
    text : str
        The file.
    carried, left : tuple of str
        What was carried over and how; what was not.
    """

    record: Record
    text: str
    carried: tuple[str, ...]
    left: tuple[str, ...]


@dataclass
class _Draft:
    """Tables of the file in its order, and what there is to say about them."""

    record: Record
    seasons: Seasons
    bands: dict[str, dict[str, Tiers]]
    lines: list[str] = field(default_factory=list)
    carried: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)

    def add(self, *lines: str) -> None:
        """Add a table, a blank line before it."""
        self.lines += ["", *lines]


def import_record(path: Path, chosen: str | None = None, time_zone: str | None = None) -> Converted:
    """Make a tariff file of a record.

    Parameters
    ----------
    path : Path
        The record's JSON file.
    chosen : str, optional
        Label or number of the record, where the file holds several.
    time_zone : str, optional
        IANA zone to write into the tariff; records hold none.

    Raises
    ------
    TariffError
        If the record cannot be read, or its price of energy cannot be written as a tariff file.
    """
    record = read_record(path, chosen)
    seasons = seasons_of(record)
    draft = _Draft(record, seasons, named_bands(record.energy, seasons))
    rule = _export_rule(draft)
    rider = _common_adjustment(record)
    _seasons(draft)
    _bands(draft, rule, rider)
    _windows(draft)
    _tiers(draft, rider)
    _riders(draft, rider)
    for lines in demand_tables(record, seasons, draft.carried, draft.left, needed=_by_demand(record)):
        draft.add(*lines)
    _fixed(draft)
    if rule == "net metering":
        _netting(draft)
    draft.left += left_over(record)
    text = "\n".join([*_head(draft, time_zone), *draft.lines, ""])
    parse_tariff(text, str(path.with_suffix(".toml")))  # what is written must be a tariff
    return Converted(record, text, tuple(draft.carried), tuple(draft.left))


# ---- head --------------------------------------------------------------------------------------------------
def _head(draft: _Draft, time_zone: str | None) -> list[str]:
    record = draft.record
    title = f"{record.utility}: {record.name}" if record.utility else record.name
    lines = comment(one_line(title))
    from_where = (
        f"From a record of the public-domain US utility rate database, label {record.label or 'not given'}"
    )
    lines += comment(f"{from_where}; source named there: {record.source or 'none'}.")
    lines += comment(
        "Records hold no holidays: where the sheet prices holidays as weekends, add [holidays]. They hold no taxes "
        "either. Check the prices against the sheet before you rely on them."
    )
    if draft.left:
        lines += ["#", "# Not carried over from the record:"]
        for text in draft.left:
            first, *rest = comment(one_line(text), 106)
            lines += [f"# -{first[1:]}", *(f"#  {line[1:]}" for line in rest)]
    lines += ["", f"name = {toml_text(record.name)}", 'currency = "USD"']
    if time_zone is None:
        lines.append(
            '# time_zone = "America/New_York"  # records hold no clock; without one, the home\'s is used'
        )
    else:
        lines.append(f"time_zone = {toml_text(time_zone)}")
    lines += [f"valid_from = {record.start}"] if record.start else []
    lines += [f"valid_to = {record.end}"] if record.end else []
    others = _other_hours(draft)
    return lines + (
        [f"other_hours = {toml_text(others)}  # whenever no window below holds"] if others else []
    )


def _other_hours(draft: _Draft) -> str | None:
    """Return the band that fills what the windows leave: the one most hours have."""
    if len(draft.bands) == 1:
        return None
    counts = dict.fromkeys(draft.bands, 0)
    for season in draft.seasons.names:
        month = draft.seasons.first(season)
        names = {tiers[season]: name for name, tiers in draft.bands.items() if season in tiers}
        for weekend, days in ((False, 5), (True, 2)):
            for tiers in draft.record.energy.at(month, weekend=weekend):
                counts[names[tiers]] += days * len(draft.seasons.months[season])
    everywhere = {
        name: counts[name] for name, tiers in draft.bands.items() if len(tiers) == len(draft.seasons.names)
    }
    return max(everywhere or counts, key=counts.__getitem__)


def _seasons(draft: _Draft) -> None:
    for number_, (name, months) in enumerate(draft.seasons.months.items()):
        if name != WHOLE_YEAR:
            lines = ["[[seasons]]", f"name = {toml_text(name)}", f"months = {list(months)}"]
            draft.lines += lines if number_ else ["", *lines]


# ---- energy ------------------------------------------------------------------------------------------------
def _export_rule(draft: _Draft) -> str:
    """Say how exported energy is treated: net metering, paid, or not at all."""
    stated = draft.record.text("dgrules")
    old = draft.record.plain.get("usenetmetering")
    if stated.lower().startswith("net metering") or (not stated and old is True):
        return "net metering"
    if stated.lower().startswith("buy all"):
        draft.left.append(
            "buy all, sell all: what the panels make is sold apart; written as exports at the sell rate"
        )
    sells = {tier.sell for tiers in draft.record.energy.periods for tier in tiers if tier.sell}
    if sells:
        draft.carried.append(f"exports are paid at the sell rate{f' ({stated})' if stated else ''}")
        return "paid"
    draft.left.append("the record pays nothing for exports: they earn 0" + (f" ({stated})" if stated else ""))
    return "none"


def _common_adjustment(record: Record) -> Decimal:
    """Return the adjustment that every tier has in common: it stands as a line of its own; else 0."""
    found = {tier.adjustment for tiers in record.energy.periods for tier in tiers}
    return found.pop() if len(found) == 1 else _ZERO


def _bands(draft: _Draft, rule: str, rider: Decimal) -> None:
    for name, tiers in draft.bands.items():
        flat = {season: each[0].price - rider for season, each in tiers.items() if len(each) == 1}
        lines = [f"[bands.{key(name)}]"]
        if flat:
            prices = {season: flat.get(season, _ZERO) for season in tiers}
            note = "" if len(flat) == len(tiers) else "  # 0 where tiers below price it"
            lines.append(f"import_price_per_kwh = {by_season(prices)}{note}")
        else:
            lines[0] += "  # priced by the tiers below"
        if rule == "paid":
            paid = {season: each[0].sell or _ZERO for season, each in tiers.items()}
            lines.append(f"export_price_per_kwh = {by_season(paid)}")
            if any(len({tier.sell for tier in each}) > 1 for each in tiers.values()):
                draft.left.append(f"{name}: sell rates that differ by tier; the first tier's is used for all")
        draft.add(*lines)


def _windows(draft: _Draft) -> None:
    others = _other_hours(draft)
    for name, tiers in draft.bands.items():
        if name == others or others is None:
            continue
        for where in hours_of(draft.record.energy, draft.seasons, tiers):
            draft.add("[[windows]]", f"band = {toml_text(name)}", *when_lines(where))


def _by_demand(record: Record) -> bool:
    return any(tier.unit.lower() == "kwh/kw" for tiers in record.energy.periods for tier in tiers)


def _tiers(draft: _Draft, rider: Decimal) -> None:
    counted = False
    for name, tiers in draft.bands.items():
        groups: dict[Tiers, list[str]] = {}
        for season, each in tiers.items():
            if len(each) > 1:
                groups.setdefault(each, []).append(season)
        for each, seasons in groups.items():
            label = "tiers" if len(draft.bands) == 1 else f"{name} tiers"
            label += "" if len(groups) == 1 else f", {' and '.join(seasons)}"
            lines = ["[[blocks]]", f"name = {toml_text(label)}"]
            lines += [f"bands = {strings([name])}"] if len(draft.bands) > 1 else []
            lines += [f"seasons = {strings(seasons)}"] if len(seasons) < len(draft.seasons.names) else []
            draft.add(*lines, *_steps(draft, name, each, rider))
            counted = counted or len(draft.bands) > 1
    if counted:
        text = "whether tiers count a month's whole energy or each period's own: records do not say it"
        draft.left.append(f"{text}; written as each period's own: check the sheet")


def _steps(draft: _Draft, name: str, tiers: Tiers, rider: Decimal) -> list[str]:
    where = f"{draft.record.path}: energyratestructure, {name}"
    units = {tier.unit.lower() or "kwh" for tier in tiers}
    unit = units.pop() if len(units) == 1 else ""
    limits = {"kwh": "up_to_kwh", "kwh daily": "up_to_kwh", "kwh/kw": "up_to_hours"}
    if unit not in limits:
        seen = ", ".join(sorted({tier.unit for tier in tiers}))
        raise TariffError(
            f"{where}: tiers counted in {seen!r} cannot be written as a tariff file; write it by hand"
        )
    lines = ["limits_for_days = 1  # limits are per day"] if unit == "kwh daily" else []
    lines += [f"demand = {toml_text(FLAT_NAME)}  # limits are kWh per kW of it"] if unit == "kwh/kw" else []
    lines.append("steps = [")
    for at, tier in enumerate(tiers):
        last = at == len(tiers) - 1
        if tier.limit is None and not last:
            raise TariffError(f"{where}: tier {at + 1} has no max but is not the last; correct the record")
        if tier.limit is not None and last:
            draft.left.append(
                f"{name}: the last tier ends at {number(tier.limit)} {tier.unit}; its price is used above too"
            )
        limit = "" if tier.limit is None or last else f"{limits[unit]} = {number(tier.limit)}, "
        lines.append(f"  {{ {limit}price_per_kwh = {number(tier.price - rider)} }},")
    return [*lines, "]"]


def _riders(draft: _Draft, rider: Decimal) -> None:
    if rider:
        draft.add("[[riders]]", 'name = "adjustment"', f"price_per_kwh = {number(rider)}")
        draft.carried.append("the adjustment that all prices have in common stands as a line of its own")
    elif any(tier.adjustment for tiers in draft.record.energy.periods for tier in tiers):
        draft.carried.append("prices are rate plus adjustment")
    if draft.record.fuel and any(draft.record.fuel):
        amounts = {name: draft.record.fuel[draft.seasons.first(name)] for name in draft.seasons.names}
        draft.add("[[riders]]", 'name = "fuel adjustment"', f"price_per_kwh = {by_season(amounts)}")


# ---- the rest ----------------------------------------------------------------------------------------------
def _fixed(draft: _Draft) -> None:
    _amount(draft, "fixedchargefirstmeter", "fixedchargeunits", ("[[charges]]", 'name = "fixed charge"'))
    _amount(draft, "mincharge", "minchargeunits", ("[minimum]",))


def _amount(draft: _Draft, key_: str, unit_key: str, head: Sequence[str]) -> None:
    amount = draft.record.number(key_)
    if not amount:
        return
    unit = draft.record.text(unit_key).lower().replace(" ", "") or "$/month"
    names: Mapping[str, str] = {"$/month": "per_month", "$/day": "per_day"}
    if unit == "$/year" and head[0] == "[[charges]]":
        monthly = amount / 12
        draft.carried.append(f"{key_}: {number(amount)} a year is written as a twelfth each month")
        draft.add(*head, f"per_month = {number(round(monthly, 6))}")
    elif unit in names:
        draft.add(*head, f"{names[unit]} = {number(amount)}")
    else:
        draft.left.append(f"{key_}: {number(amount)} in {unit}: only amounts per month or day can be written")


def _netting(draft: _Draft) -> None:
    lines = ["[netting]", 'across = "same-band"', 'surplus = "carry"']
    draft.add(*lines)
    text = "exported kWh are set off against kWh bought in the same band and month, the rest is carried on"
    draft.carried.append(f"net metering: {text}")
    if any(tier.sell for tiers in draft.record.energy.periods for tier in tiers):
        draft.left.append(
            "the sell rate under net metering: records do not say when a surplus is settled; add settlement"
        )
