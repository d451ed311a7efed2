"""A motor record of which every field can be written, so that a test can bring about what a real
one reports: served by caproto, in a process of its own."""

from __future__ import annotations

from caproto.server import PVGroup, ioc_arg_parser, pvproperty, run


class Record(PVGroup):
    """The fields that the driver reads; the motor itself stands still wherever it is sent."""

    identity = pvproperty(name="NAME", value="BOG-MOTORS 1", dtype=str)
    val = pvproperty(name="m", value=5.0)
    rbv = pvproperty(name="m.RBV", value=5.0)
    dmov = pvproperty(name="m.DMOV", value=1)
    stop = pvproperty(name="m.STOP", value=0)
    llm = pvproperty(name="m.LLM", value=0.0)
    hlm = pvproperty(name="m.HLM", value=10.0)
    lls = pvproperty(name="m.LLS", value=0)
    hls = pvproperty(name="m.HLS", value=0)
    egu = pvproperty(name="m.EGU", value="um", dtype=str)
    msta = pvproperty(name="m.MSTA", value=0)
    spmg = pvproperty(name="m.SPMG", value=3)
    set = pvproperty(name="m.SET", value=0)
    bdst = pvproperty(name="m.BDST", value=0.0)


if __name__ == "__main__":
    options, more = ioc_arg_parser(default_prefix="bog2:", desc=Record.__doc__)
    run(Record(**options).pvdb, **more)
