"""What must hold of registers beside the main meter."""

from tariffs.reading.refusals import Problem, unknown_names
from tariffs.sheet.checks import check_sheet, check_when
from tariffs.sheet.checks_money import check_money
from tariffs.sheet.registers import sheet_of
from tariffs.sheet.tariff import Sheet, Tariff

_NO_BASE = {"hourly_prices": None, "netting": None}


def check_registers(tariff: Tariff, sheet: Sheet) -> list[Problem]:
    """Check every register of one sheet, as if it were a file of its own."""
    problems: list[Problem] = []
    for number, register in enumerate(sheet.registers):
        field = f"registers[{number + 1}]"
        found = check_when(register, field, sheet)
        riders = [rider.name for rider in sheet.riders if not rider.bands]
        found += unknown_names(
            f"{field}.shared_riders", register.shared_riders, riders, "rider of every band"
        )
        bands = register.bands.keys()
        if register.bands:
            found += [
                problem
                for at, window in enumerate(register.windows)
                for problem in unknown_names(f"{field}.windows[{at + 1}].band", [window.band], bands, "band")
            ]
            if register.other_hours is not None:
                found += unknown_names(f"{field}.other_hours", [register.other_hours], bands, "band")
        if not found:
            own = sheet_of(sheet, register, register.name)
            alone = own.model_copy(
                update={"adjustments": (), "minimum": (), "export_credit": None, "losses": None}
            )
            inner = check_sheet(alone) or check_money(tariff.model_copy(update=_NO_BASE), alone)
            found = [Problem(f"{field}.{place}", text) for place, text in inner]
        problems += found
    return problems
