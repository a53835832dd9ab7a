"""Buses and messages for the tests of CAN frames, response times and what is simulated of them."""

from __future__ import annotations

from chainplan.budgets.uplink.can_frames import BusMessage, CanBus

MS = 10**12  # fs
US = 10**9
BUS_125K = CanBus(8 * US)
ALL_FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)


def can_message(
    data_bytes: int,
    identifier: int,
    period: int,
    *,
    deadline: int | None = None,
    jitter: int = 0,
    extended: bool = False,
    flexible: bool = False,
) -> BusMessage:
    return BusMessage(
        name=f"message {identifier}",
        identifier=identifier,
        data_bytes=data_bytes,
        extended=extended,
        period=period,
        jitter=jitter,
        deadline=period if deadline is None else deadline,
        flexible=flexible,
    )
