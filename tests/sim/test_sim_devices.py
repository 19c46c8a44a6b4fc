"""The rig behind real Modbus TCP, driven by the library's own client."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from sim_rigs import crooked_map, plain_map, settings

from rig.run.settings import Settings
from sim.devices import Rig, ServeError, endpoints_of, serve
from sim.faults import read_fault

Served = tuple[Rig, list[AsyncModbusTcpClient]]
TYPES = AsyncModbusTcpClient.DATATYPE


@contextlib.asynccontextmanager
async def running(of: Settings, *faults: str, truth: Path | None = None) -> AsyncIterator[Served]:
    rig = await serve(of, port=0, faults=[read_fault(fault) for fault in faults], truth_file=truth)
    clients = [AsyncModbusTcpClient("127.0.0.1", port=port, timeout=0.3, retries=0) for _host, port in rig.ports]
    try:
        for client in clients:
            assert await client.connect()
        yield rig, clients
    finally:
        for client in clients:
            client.close()
        await rig.close()


async def run_for(rig: Rig, client: AsyncModbusTcpClient, unit: int, seconds: float) -> None:
    """Poll until the plant has run for so long; each request lets it run a little further."""
    end = rig.modules.plant.time_s + seconds
    while rig.modules.plant.time_s < end:
        await client.read_coils(0, count=1, device_id=unit)


async def test_a_stroke_over_the_wire() -> None:
    async with running(settings(plain_map())) as (rig, (client,)):
        assert not (await client.write_coils(8, [True, True], device_id=1)).isError()
        assert not (await client.write_register(0, 15, device_id=1)).isError()
        assert (await client.read_holding_registers(0, count=1, device_id=1)).registers == [15]
        echo = await client.write_coil(0, True, device_id=1)
        assert echo.bits[0] is True
        await run_for(rig, client, 1, 20.0)
        assert (await client.write_coil(0, False, device_id=1)).bits[0] is False
        await run_for(rig, client, 1, 3.0)
        reply = await client.read_input_registers(0, count=3, device_id=1)
        count, pressure, level = reply.registers
        truth = rig.document()
        assert count == truth["pulses"]
        assert count / 100 == pytest.approx(truth["delivered_l"], abs=0.06)
        assert 0.01 * pressure == pytest.approx(float(str(truth["line_kpa"])) / 6.894757, abs=0.02)
        assert 0.1 * level == pytest.approx(truth["tote_l"], abs=0.06)
        assert (await client.read_coils(0, count=10, device_id=1)).bits[:10] == [False] * 8 + [True, True]


async def test_every_byte_order_and_unit_over_the_wire() -> None:
    async with running(settings(crooked_map())) as (rig, (io, scale)):
        await io.write_coils(40000, [True, True], device_id=7)
        assert not (await io.write_registers(4000, [2500, 0], device_id=3)).isError()
        await io.write_coil(517, True, device_id=3)
        await run_for(rig, io, 3, 15.0)
        count = (await io.read_holding_registers(100, count=2, device_id=7)).registers
        values = (await io.read_input_registers(9, count=5, device_id=7)).registers
        tyre = (await io.read_input_registers(300, count=1, device_id=7)).registers
        tote = (await scale.read_input_registers(2, count=2, device_id=1)).registers
        warm = (await scale.read_input_registers(9, count=1, device_id=1)).registers
        assert (await io.read_discrete_inputs(33, count=1, device_id=7)).bits[0] is True
        plant = rig.modules.plant
        swapped = [int.from_bytes(word.to_bytes(2, "little"), "big") for word in reversed(count)]
        # The plant moves on between one request and the next: one percent of a flow covers it.
        assert (swapped[0] << 16) + swapped[1] == pytest.approx(plant.meter.pulses, abs=40)
        flow = io.convert_from_registers(values[:2], TYPES.FLOAT32, word_order="little")
        assert flow == pytest.approx(plant.line.flow_lps * 60 / 3.785411784, rel=0.03)
        words = [int.from_bytes(word.to_bytes(2, "little"), "big") for word in values[3:]]
        bar = io.convert_from_registers(words, TYPES.FLOAT32)
        assert bar == pytest.approx((plant.line.kpa_abs - 101.325) / 100, rel=0.03)
        psi = 0.02 * int.from_bytes(tyre[0].to_bytes(2, "little"), "big") - 15.0
        assert psi == pytest.approx((plant.line.gun_kpa_abs - 101.325) / 6.894757, rel=0.03)
        gallons = 0.001 * scale.convert_from_registers(tote, TYPES.INT32, word_order="little")
        assert gallons == pytest.approx(plant.line.tote_l / 3.785411784, abs=0.1)
        assert warm == [590]


async def test_exceptions_for_what_is_not_there() -> None:
    async with running(settings(plain_map())) as (_rig, (client,)):
        assert (await client.read_coils(10, count=1, device_id=1)).exception_code == 2
        assert (await client.read_input_registers(1, count=3, device_id=1)).exception_code == 2
        assert (await client.read_holding_registers(1, count=1, device_id=1)).exception_code == 2
        assert (await client.write_coil(4, True, device_id=1)).exception_code == 2
        assert (await client.write_register(7, 1, device_id=1)).exception_code == 2
        assert (await client.read_coils(0, count=1, device_id=9)).exception_code == 11
        assert (await client.read_coils(60000, count=1, device_id=9)).exception_code == 11


async def test_bus_faults_over_the_wire() -> None:
    async with running(settings(plain_map()), "exception_reply@0:2", "write_ignored@2") as (rig, (client,)):
        assert (await client.read_coils(0, count=1, device_id=1)).exception_code == 4
        await run_for(rig, client, 1, 2.5)
        assert (await client.write_coil(0, True, device_id=1)).bits[0] is True  # acknowledged, and
        assert (await client.read_coils(0, count=1, device_id=1)).bits[0] is False


@pytest.mark.parametrize("fault", ["bus_silent@0", "bus_slow@0"])
async def test_a_bus_that_does_not_answer_in_time(fault: str) -> None:
    async with running(settings(plain_map()), fault) as (_rig, (client,)):
        for address in (0, 1):
            with pytest.raises(ModbusIOException):
                await client.read_coils(address, count=1, device_id=1)


@pytest.mark.full
async def test_a_cut_bus_lets_the_outputs_drop() -> None:
    async with running(settings(plain_map()), "bus_silent@1") as (rig, (client,)):
        await client.write_register(0, 15, device_id=1)
        await client.write_coil(0, True, device_id=1)
        async with asyncio.timeout(10):
            while not rig.modules.output_timeouts:
                # Requests that do not arrive are no sign of life.
                with contextlib.suppress(ModbusIOException, ConnectionException):
                    await client.read_coils(0, count=1, device_id=1)
                await client.connect()
        assert rig.modules.output_timeouts == 1


async def test_the_truth_file_is_kept_and_closed(tmp_path: Path) -> None:
    truth = tmp_path / "deep" / "truth.json"
    async with running(settings(plain_map()), "meter_dead@1", truth=truth) as (rig, (client,)):
        assert json.loads(truth.read_text())["time_s"] == 0
        await client.write_coils(8, [True, True], device_id=1)
        await run_for(rig, client, 1, 5.0)
    document = json.loads(truth.read_text())
    assert document["time_s"] > 5
    assert document["gun_on"] is True
    assert document["faults"] == [{"name": "meter_dead", "onset_s": 1.0, "duration_s": None, "active": True}]
    named = {"time_s", "tyre_liquid_l", "delivered_l", "tyre_kpa", "peak_tyre_kpa", "lowest_tyre_kpa", "peak_line_kpa",
             "hose_liquid_l", "suction_liquid_l", "tote_l", "spilled_l", "vented_l", "pulses", "cavity_l", "bead_lost",
             "both_relays_s", "pump_on"}  # fmt: skip
    assert named <= set(document)
    assert list(truth.parent.iterdir()) == [truth]


async def test_a_port_in_use_is_explained() -> None:
    async with running(settings(plain_map())) as (rig, _clients):
        with pytest.raises(ServeError, match=str(rig.ports[0][1])):
            await serve(settings(plain_map()), port=rig.ports[0][1])


def test_endpoints_follow_the_links() -> None:
    of = settings(crooked_map())
    assert [e.port for e in endpoints_of(of)] == [5020, 5021]
    assert [e.port for e in endpoints_of(of, 7000)] == [7000, 7001]
    assert [e.port for e in endpoints_of(of, 0)] == [0, 0]
    shared = crooked_map()
    shared["links"]["scale"]["port"] = 5020
    assert len(endpoints_of(settings(shared))) == 1
