"""Kinds of matter, and desks: of which `[owners]` of ``plant.toml`` can say who is asked."""

__all__ = ["DESKS", "MATTERS"]

#: Keys of ``[owners]`` for all that a desk is asked, where its kind says nobody else.
DESKS = ("purchasing", "pressroom", "paper_store", "ink_store", "technical_services", "shift_desk")

#: Keys of ``[owners]``: kinds of ``exceptions`` and of what the order plan asks for, their words joined by ``_``.
MATTERS = (
    "implausible_logs",
    "days_of_stock_low",
    "delivery_late",
    "standby_test",
    "stock_unknown",
    "count_in_doubt",
    "ink_leak",
    "ink_step",
    "ink_drift",
    "film_weight_change",
    "ink_change",
    "ink_use",
    "ink_misread_dip",
    "grammage_change",
    "start_up_waste",
    "running_waste",
    "web_breaks",
    "breaking_stand",
    "transport_damage",
    "claim",
    "contract",
    "unexplained_paper",
    "butts",
    "store_losses",
    "log_gap",
    "days_of_stock_high",
    "emergency_supply",
    "orders_due",
    "stock_out_risk",
    "nothing_on_order",
)
