"""Rules that span several keys: each broken by one change to a good file, and said on its line."""

import pytest

LEVEL_READ = 'read = { table = "input", register = 0, type = "uint16" }'
PULSE_READ = 'read = { table = "input", register = 0, type = "uint32", word_order = "little" }'
REPLY = (
    r"reply = 'VB=(?P<battery>-?\d+\.\d+),VP=(?P<panel>-?\d+\.\d+),TB=(?P<temperature>-?\d+\.\d+)'"
)
SIGNAL = 'signal = ["0 mA", "20 mA"]'
RANGE = 'range = ["0 ft", "150 ft"]'
K_FACTOR = 'k_factor = "98.4 pulses/gal"'
RS485 = 'kind = "modbus-rtu"\nport = "/dev/serial/by-id/usb-rs485-adapter"\nbaud = 19200\n'
TCP = 'kind = "modbus-tcp"\nhost = "198.51.100.7"\n'
GROUPS = '"battery", "panel", "temperature"'
REGISTER_TYPES = '"int16", "uint16", "int32", "uint32", "float32", "int64", "uint64", "float64"'


@pytest.mark.parametrize(
    "case",  # old text, new text; line, key, found, expected
    [
        # Buses.
        ('port = "/dev/serial/by-id/usb-charge-controller"',
         'port = "/dev/serial/by-id/usb-rs485-adapter"',
         'port = "/dev/serial/by-id/usb-rs485-adapter"', "buses.charger.port",
         "'/dev/serial/by-id/usb-rs485-adapter', which bus \"rs485\" has already",
         "a port for every bus"),
        ('framing = "8N1"', 'framing = "7E1"', 'framing = "7E1"', "buses.rs485.framing",
         "'7E1'", "8 data bits, as Modbus RTU has them"),
        ("unit = 1\n", "unit = 0\n", "unit = 0", "buses.rs485.devices.loops.unit",
         "0", "a unit from 1 to 247"),
        ("unit = 1\n", "unit = 248\n", "unit = 248", "buses.rs485.devices.loops.unit",
         "248", "a unit from 1 to 247"),
        ("unit = 2\n", "unit = 1\n", "unit = 1", "buses.rs485.devices.counter.unit",
         '1, which device "loops" has already', "a unit of its own"),
        ("[channels.level]",
         "[buses.charger.devices.talker]\nreply = '(?P<a>.*)'\n[channels.level]",
         "[buses.charger.devices.talker]", "buses.charger.devices.talker.request", "nothing",
         "a request: only a device that has the bus to itself may talk unasked"),
        (REPLY, "reply = 'VB=(?P<battery>'", "reply = 'VB=(?P<battery>'",
         "buses.charger.devices.controller.reply",
         "'VB=(?P<battery>' (missing ), unterminated subpattern at position 3)",
         "a regular expression of Python"),
        (REPLY, r"reply = 'VB=(\d+)'", r"reply = 'VB=(\d+)'",
         "buses.charger.devices.controller.reply", r"'VB=(\\d+)' without a named group",
         r"a group for every field, such as (?P<level>-?\d+\.\d+)"),
        (r'request = "?STATUS\r"', 'request = "Ω?"', 'request = "Ω?"',
         "buses.charger.devices.controller.request", "'Ω'",
         "characters of one byte (Latin-1)"),
        ('checksum = "xor"\n', "", 'checksum_mark = "*"',
         "buses.charger.devices.controller.checksum_mark", "no checksum to apply it to",
         'the key "checksum" beside it'),
        # Where a channel reads.
        ('bus = "rs485"', 'bus = "charge"', 'bus = "charge"', "channels.level.bus",
         "'charge'", 'one of the buses: "rs485", "charger" (did you mean "charger"?)'),
        ('device = "loops"', 'device = "loop"', 'device = "loop"', "channels.level.device",
         "'loop'",
         'one of the devices of bus "rs485": "loops", "counter" (did you mean "loops"?)'),
        (LEVEL_READ, 'read = { field = "level" }', 'read = { field = "level" }',
         "channels.level.read", "field",
         'table and register, because bus "rs485" is of kind "modbus-rtu"'),
        ('read = { field = "panel" }', LEVEL_READ, LEVEL_READ, "channels.panel.read",
         "table and register", 'field, because bus "charger" is of kind "line"'),
        ('read = { field = "panel" }', 'read = { field = "p" }', 'read = { field = "p" }',
         "channels.panel.read.field", "'p'",
         f'one of the groups in the reply of device "controller": {GROUPS}'),
        (LEVEL_READ, 'read = { table = "coil", register = 0, type = "uint16" }',
         'read = { table = "coil", register = 0, type = "uint16" }', "channels.level.read.type",
         '"uint16" in the table "coil"', '"bit", or no type at all'),
        (LEVEL_READ, 'read = { table = "holding", register = 0, type = "bit" }',
         'read = { table = "holding", register = 0, type = "bit" }', "channels.level.read.type",
         '"bit" in the table "holding"', f"a type of whole registers: {REGISTER_TYPES}"),
        (LEVEL_READ, 'read = { table = "input", register = 65533, type = "float64" }',
         'read = { table = "input", register = 65533, type = "float64" }',
         "channels.level.read.register",
         "65533, where a float64 of 4 registers runs off the table", "65532 at most"),
        # How often.
        ('sample = "1 min"', 'sample = "99 ms"', 'sample = "99 ms"', "channels.level.sample",
         '"99 ms"', "100 ms or longer"),
        ('sample = "1 min"', 'sample = "0.1 ms"', 'sample = "0.1 ms"', "channels.level.sample",
         '"0.1 ms"', "a whole number of milliseconds"),
        ('sample = "1 min"', 'sample = "1000.5 ms"', 'sample = "1000.5 ms"',
         "channels.level.sample", '"1000.5 ms"', "a whole number of milliseconds"),
        ('record = "5 min"', 'record = "59.9999 s"', 'record = "59.9999 s"',
         "channels.panel.record", '"59.9999 s"', "a whole number of milliseconds"),
        ('record = "5 min"', 'record = "90 s"', 'record = "90 s"', "channels.panel.record",
         '"90 s"', 'a whole multiple of the sample interval "1 min"'),
        ('record = "5 min"', 'record = "59 s"', 'record = "59 s"', "channels.panel.record",
         '"59 s", shorter than the sample interval',
         'a whole multiple of the sample interval "1 min"'),
        # What it means.
        ("counts = [0, 65535]", "counts = [7, 7.0]", "counts = [7, 7.0]",
         "channels.level.counts", "7 twice", "two numbers that are not the same"),
        ("counts = [0, 65535]\n", "", "[channels.level]", "channels.level.counts",
         "nothing", "counts to go with signal, or neither"),
        (SIGNAL + "\n", "", "[channels.level]", "channels.level.signal", "nothing",
         "signal to go with counts, or neither"),
        (SIGNAL, 'signal = ["20 mA", "20000 uA"]', 'signal = ["20 mA", "20000 uA"]',
         "channels.level.signal", '"20 mA" and "20000 uA"', "two values that are not the same"),
        (SIGNAL, 'signal = ["0 mA", "5 V"]', 'signal = ["0 mA", "5 V"]',
         "channels.level.signal[1]", '"5 V" (voltage)',
         "an electric current in uA, mA, A, as at the other end"),
        (SIGNAL, 'signal = ["0 V", "5 V"]', "[channels.level]", "channels.level.shunt",
         "nothing", 'the resistor the voltage is across, such as "250 ohm"'),
        (SIGNAL, SIGNAL + '\nshunt = "250 ohm"', 'shunt = "250 ohm"', "channels.level.shunt",
         '"250 ohm"', "no shunt with a signal in amperes, or volts there"),
        (RANGE, 'range = ["0 ft", "100 psi"]', 'range = ["0 ft", "100 psi"]',
         "channels.level.range[1]", '"100 psi" (pressure)',
         "a length in mm, cm, m, km, in, ft, mi, as at the other end"),
        (RANGE, 'range = ["1 ft", "12 in"]', 'range = ["1 ft", "12 in"]',
         "channels.level.range", '"1 ft" and "12 in"', "two values that are not the same"),
        # Pulses.
        (K_FACTOR + "\n", "", "[channels.flow]", "channels.flow.k_factor", "nothing",
         "k_factor, pulse_volume or k_table"),
        (K_FACTOR, K_FACTOR + '\npulse_volume = "1 gal/pulse"', 'pulse_volume = "1 gal/pulse"',
         "channels.flow.pulse_volume", "k_factor beside it", "only one of the two"),
        (PULSE_READ, PULSE_READ.replace("uint32", "int32"), PULSE_READ.replace("uint32", "int32"),
         "channels.flow.read.type", '"int32", which does not say where the counter rolls over',
         '"uint16", "uint32" or "uint64", or the key counter_bits or counter_digits'),
        (PULSE_READ, PULSE_READ.replace("uint32", "float32"),
         PULSE_READ.replace("uint32", "float32"), "channels.flow.read.type",
         '"float32", which does not say where the counter rolls over',
         '"uint16", "uint32" or "uint64", or the key counter_bits or counter_digits'),
        (PULSE_READ, 'read = { table = "coil", register = 0 }',
         'read = { table = "coil", register = 0 }', "channels.flow.read.type", '"bit"',
         "a type that a counter can stand in"),
        (K_FACTOR, K_FACTOR + "\ncounter_bits = 33", "counter_bits = 33",
         "channels.flow.counter_bits", "33",
         "32 at most, for that is how far a uint32 counts"),
        # The uplink.
        ('publish = "5 min"', 'publish = "999 ms"', 'publish = "999 ms"', "uplink.publish",
         '"999 ms"', "1 s or longer"),
        ('publish = "5 min"', 'keep_alive = "1 d"', 'keep_alive = "1 d"', "uplink.keep_alive",
         '"1 d"', "from 1 s to 65535 s"),
        ('username = "ash-creek-2"\n', "", "[uplink]", "uplink.username", "nothing",
         "a username to go with the password"),
        ("tls = true", 'ca_file = "ca.pem"', 'ca_file = "ca.pem"', "uplink.ca_file",
         "a file for TLS", "tls = true beside it"),
        ("tls = true", 'tls = true\ncertificate_file = "c.pem"', "[uplink]", "uplink.key_file",
         "nothing", "a file to go with certificate_file"),
        ("tls = true", 'tls = true\nkey_file = "k.pem"', "[uplink]", "uplink.certificate_file",
         "nothing", "a file to go with key_file"),
    ],
)  # fmt: skip
def test_a_rule_broken_is_the_one_fault_told(spoil, case):
    old, new, *told = case
    assert spoil((old, new)) == [tuple(told)]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (LEVEL_READ, 'read = { table = "coil", register = 65535 }'),
        (LEVEL_READ, 'read = { table = "discrete", register = 0, type = "bit" }'),
        (LEVEL_READ, 'read = { table = "input", register = 65534, type = "uint32" }'),
        ('sample = "1 min"', 'sample = "100 ms"'),
        ('sample = "1 min"', 'sample = "1.001 s"'),
        ('sample = "1 min"', 'sample = "1 min"\nrecord = "1 min"'),
        ('sample = "1 min"', 'sample = "0.1 s"\nrecord = "0.3 s"'),
        (SIGNAL, 'signal = ["1 V", "5 V"]\nshunt = "250 ohm"'),
        (f"counts = [0, 65535]\n{SIGNAL}\n", ""),
        (RANGE, 'range = ["150 ft", "0 ft"]'),
        (RANGE, 'range = ["0 ft", "45 m"]'),
        (K_FACTOR, 'pulse_volume = "10 gal/pulse"'),
        (PULSE_READ, PULSE_READ.replace("uint32", "float64") + "\ncounter_bits = 32"),
        (K_FACTOR, K_FACTOR + "\ncounter_bits = 24"),
        ("unit = 2\n", "unit = 247\n"),
        (RS485 + 'framing = "8N1"', TCP),
        ('tls = true', 'tls = true\ncertificate_file = "c.pem"\nkey_file = "k.pem"'),
        (r'request = "?STATUS\r"' + "\n", ""),
        (r'request = "?STATUS\r"', 'request = "µ?"'),
    ],
)  # fmt: skip
def test_what_keeps_the_rules_is_let_pass(spoil, old, new):
    assert spoil((old, new)) == []


@pytest.mark.parametrize(("unit", "good"), [(0, True), (247, True), (248, False), (255, True)])
def test_units_over_tcp_include_the_ends(spoil, unit, good):
    # Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 4.4.2.2.
    answers = spoil((RS485 + 'framing = "8N1"', TCP), ("unit = 1\n", f"unit = {unit}\n"))

    told = [
        (f"unit = {unit}", "buses.rs485.devices.loops.unit", f"{unit}",
         "a unit from 0 to 247, or 255"),
    ]  # fmt: skip
    assert answers == ([] if good else told)


def test_certificates_without_tls_are_each_told(spoil):
    answers = spoil(("tls = true", 'certificate_file = "c.pem"\nkey_file = "k.pem"'))

    assert [(line, key) for line, key, *_ in answers] == [
        ('certificate_file = "c.pem"', "uplink.certificate_file"),
        ('key_file = "k.pem"', "uplink.key_file"),
    ]


def test_what_depends_on_a_faulty_entry_is_not_told(spoil):
    faulty_bus = spoil(("baud = 19200", "baud = 1"), ('device = "loops"', 'device = "loop"'))
    assert [key for _, key, *_ in faulty_bus] == ["buses.rs485.baud"]

    faulty_channel = spoil((LEVEL_READ, 'read = { table = "input", register = -1 }'),
                           ("counts = [0, 65535]", "counts = [1, 1]"))  # fmt: skip
    assert [key for _, key, *_ in faulty_channel] == ["channels.level.read.register"]

    faulty_reply = spoil((REPLY, "reply = '('"))
    assert [key for _, key, *_ in faulty_reply] == ["buses.charger.devices.controller.reply"]


def test_a_bus_whose_header_is_broken_is_not_missed(spoil):
    answers = spoil(("[buses.charger]", "[buses.charger"))

    assert [key for _, key, *_ in answers] == ["buses.charger"]


def test_without_buses_the_channels_are_not_blamed(spoil):
    answers = spoil(("[buses.rs485]", "[busses.rs485]"),
                    ("[buses.rs485.devices.loops]", "[busses.rs485.devices.loops]"),
                    ("[buses.rs485.devices.counter]", "[busses.rs485.devices.counter]"),
                    ("[buses.charger]", "[busses.charger]"),
                    ("[buses.charger.devices.controller]",
                     "[busses.charger.devices.controller]"))  # fmt: skip

    assert [(key, found) for _, key, found, _ in answers] == [
        ("buses", "nothing"),
        ("busses", 'unknown section "busses"'),
    ]


def test_faulty_and_sound_entries_side_by_side_are_all_judged(spoil):
    answers = spoil(
        ("unit = 2\n", "unit = 300\n"),  # the bus has a fault of its own ...
        (RANGE, "range = []"),  # ... and so has this channel ...
        ('record = "5 min"', 'record = "7 s"'),  # ... but this one is held against its bus
        ('read = { field = "panel" }', 'read = { field = "pannel" }'),
        ('publish = "5 min"', 'publish = "5 ms"'),
    )

    assert [key for _, key, *_ in answers] == [
        "buses.rs485.devices.counter.unit",
        "channels.level.range",
        "channels.panel.read.field",
        "channels.panel.record",
        "uplink.publish",
    ]
