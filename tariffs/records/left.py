"""What a record says beyond what a tariff file holds: named, so that nothing is lost unseen."""

from collections.abc import Iterator

from tariffs.records.fields import Record, one_line

_MONEY = {
    "fixedchargeeaaddl": "the charge for each further meter (one meter is taken)",
    "demandreactivepowercharge": "the charge for reactive power",
    "coincidentratestructure": "the charge for demand at the time of the utility's own peak",
    "demandratchetpercentage": "ratchets given for each month",
    "lookbackmonths": "the months that the look-back counts",
    "annualmincharge": "the minimum bill of a year",
    "demandmin": "the least demand that is billed",
    "energymin": "the least energy that is billed",
    "peakkwcapacitymin": "a least demand to be eligible",
    "peakkwcapacitymax": "a highest demand to be eligible",
    "peakkwhusagemin": "a least monthly use to be eligible",
    "peakkwhusagemax": "a highest monthly use to be eligible",
}

_COMMENTS = (
    "description",
    "energycomments",
    "demandcomments",
    "basicinformationcomments",
    "servicetypecomments",
)

_READ = frozenset(
    (
        *("label", "name", "utility", "source", "startdate", "enddate", "fueladjustmentsmonthly", "dgrules"),
        *("energyratestructure", "energyweekdayschedule", "energyweekendschedule", "usenetmetering"),
        *(
            "demandratestructure",
            "demandweekdayschedule",
            "demandweekendschedule",
            "demandrateunit",
            "demandwindow",
        ),
        *("flatdemandstructure", "flatdemandmonths", "flatdemandunit", "lookbackpercent", "lookbackrange"),
        *("fixedchargefirstmeter", "fixedchargeunits", "mincharge", "minchargeunits"),
    )
)


# who, where and by whom: no money in them
_ABOUT = frozenset(
    (
        *(
            "uri",
            "eiaid",
            "approved",
            "revisions",
            "is_default",
            "isdefault",
            "country",
            "sector",
            "servicetype",
        ),
        *(
            "sourceparent",
            "supersedes",
            "latest_update",
            "latestupdate",
            "voltagecategory",
            "phasewiring",
            "rate",
        ),
        *(
            "peakkwcapacityhistory",
            "peakkwhusagehistory",
            "energyattrs",
            "demandattrs",
            "fixedattrs",
            "basicattrs",
        ),
        *(
            "voltageminimum",
            "voltagemaximum",
            "demandunits",
            "utilityid",
            "lseid",
            "activatesfrom",
            "version",
        ),
    )
)


def left_over(record: Record) -> Iterator[str]:
    """Yield a line for everything that costs or excludes but has no place in the file."""
    for key, words in _MONEY.items():
        value = record.plain.get(key)
        if _says_something(value):
            yield f"{key}: {words} ({one_line(value)[:60]})"
    for key in _COMMENTS:
        if text := record.text(key):
            yield f"{key}, to be read: {text[:300]}{'...' if len(text) > 300 else ''}"
    known = {*_MONEY, *_COMMENTS, *_READ, *_ABOUT}
    for key, value in record.plain.items():
        if key not in known and _says_something(value):
            yield f"{one_line(key)[:60]}: not known, not read ({one_line(value)[:60]})"


def _says_something(value: object) -> bool:
    if isinstance(value, list):
        return any(_says_something(part) for part in value)
    if isinstance(value, dict):
        return any(_says_something(part) for part in value.values())
    return bool(value)
