"""The kinds of records as a person reads them. It must not know what a record says."""

from __future__ import annotations

from rig.sentence import Wording

KIND_WORDS = {
    each.text: each
    for each in (
        Wording("kind.fill", "fill"),
        Wording("kind.vessel", "vessel"),
        Wording("kind.return", "return"),
        Wording("kind.rinse", "rinse"),
        Wording("kind.spill", "spill"),
        Wording("kind.charge", "charge"),
        Wording("kind.step", "step"),
        Wording("kind.holds", "holds"),
        Wording("kind.finish", "finish"),
        Wording("kind.figure", "figure"),
        Wording("kind.conversion", "conversion"),
        Wording("kind.job", "job"),
        Wording("kind.wheels_of_a_job", "wheels of a job"),
        Wording("kind.customer", "customer"),
        Wording("kind.site", "site"),
        Wording("kind.tote", "tote"),
        Wording("kind.load", "load"),
        Wording("kind.dip", "dip"),
        Wording("kind.yard", "yard"),
        Wording("kind.connect", "connect"),
        Wording("kind.wheel", "wheel"),
        Wording("kind.quote", "quote"),
        Wording("kind.bill", "bill"),
        Wording("kind.invoice", "invoice"),
        Wording("kind.prices", "prices"),
        Wording("kind.logo", "logo"),
        Wording("kind.print", "print"),
        Wording("kind.named", "named"),
        Wording("kind.clock", "clock"),
        Wording("kind.restored", "restored"),
        Wording("kind.void", "void"),
        Wording("kind.chart", "chart"),
        Wording("kind.not_in_chart", "not in chart"),
        Wording("kind.event", "event"),
        Wording("kind.proving", "proving"),
        Wording("kind.commissioning", "commissioning"),
        Wording("kind.shared_customer", "shared customer"),
        Wording("kind.shared_site", "shared site"),
        Wording("kind.shared_job", "shared job"),
        Wording("kind.shared_wheels_of_a_job", "shared wheels of a job"),
        Wording("kind.shared_wheel", "shared wheel"),
        Wording("kind.shared_cavity", "shared cavity"),
        Wording("kind.shared_chart", "shared chart"),
        Wording("kind.shared_prices", "shared prices"),
        Wording("kind.shared_person", "shared person"),
        Wording("kind.shared_release", "shared release"),
    )
}
"""By the name of the kind in the book."""
