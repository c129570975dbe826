"""The status of a reading: how far it can be trusted, and why not further.

A status is one `Reason`. Every reason has a fixed quality and a fixed category, so a single small
integer says it all in the journal, and one word says it all on the wire. Where several reasons
meet, `worst` picks the one that stands; nothing in the program ever improves a status.

The categories are the status signals of NAMUR NE 107. The limits behind the loop reasons are those
of NAMUR NE 43.
"""

from __future__ import annotations

from enum import Enum, IntEnum


class Quality(IntEnum):
    """How far a reading can be trusted; the larger the worse."""

    GOOD = 0
    UNCERTAIN = 1  # there is a value, with a doubt about it
    BAD = 2  # there is no value


class Category(Enum):
    """NE 107 status signals, and NORMAL for their absence."""

    NORMAL = "normal"
    FAILURE = "failure"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE_REQUIRED = "maintenance required"


class Reason(Enum):
    """Why a reading has the quality it has.

    Each member is ``(code, quality, category, text)``. The code is what the journal stores: never
    renumber one. The slug (the member's name in kebab case) is what goes on the wire.
    """

    code: int
    quality: Quality
    category: Category
    text: str

    def __init__(self, code: int, quality: Quality, category: Category, text: str) -> None:
        self.code = code
        self.quality = quality
        self.category = category
        self.text = text

    OK = (0, Quality.GOOD, Category.NORMAL, "good")

    # The current loop: there is a value, but the transmitter is at the end of its range.
    SATURATED_LOW = (
        10, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "loop current just below 4 mA: at or under the bottom of the range",
    )  # fmt: skip
    SATURATED_HIGH = (
        11, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "loop current just above 20 mA: at or over the top of the range",
    )  # fmt: skip
    UNDER_RANGE = (
        12, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "loop current below the measuring limit of 3.8 mA",
    )  # fmt: skip
    OVER_RANGE = (
        13, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "loop current above the measuring limit of 20.5 mA",
    )  # fmt: skip

    # The current loop: there is none.
    OPEN_LOOP = (
        20, Quality.BAD, Category.FAILURE,
        "no loop current: broken wire, no supply, or transmitter disconnected",
    )  # fmt: skip
    LOOP_FAILURE_LOW = (
        21, Quality.BAD, Category.FAILURE,
        "loop current below 3.6 mA: the transmitter signals a failure or is short of voltage",
    )  # fmt: skip
    LOOP_FAILURE_HIGH = (
        22, Quality.BAD, Category.FAILURE,
        "loop current above 21 mA: the transmitter signals a failure or the loop is shorted",
    )  # fmt: skip

    # Computing: there is a value, with a doubt about it.
    COUNTER_RESET = (
        32, Quality.UNCERTAIN, Category.MAINTENANCE_REQUIRED,
        "the counter began anew: reset or replaced; pulses it made before that may be missing",
    )  # fmt: skip
    BELOW_TABLE = (
        33, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "below the first point of the channel's table",
    )  # fmt: skip
    ABOVE_TABLE = (
        34, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "above the last point of the channel's table",
    )  # fmt: skip
    HEAD_TOO_LOW = (
        35, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "head below the range the formula of the weir or flume is valid for",
    )  # fmt: skip
    HEAD_TOO_HIGH = (
        36, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "head above the range the formula of the weir or flume is valid for",
    )  # fmt: skip
    STUCK = (
        37, Quality.UNCERTAIN, Category.MAINTENANCE_REQUIRED,
        "the signal has not moved for longer than it should stand still",
    )  # fmt: skip
    CHANGED_TOO_FAST = (
        38, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "the signal changed faster than what is measured can",
    )  # fmt: skip
    IMPLAUSIBLE_JUMP = (
        39, Quality.UNCERTAIN, Category.MAINTENANCE_REQUIRED,
        "the counter jumped further than the meter can pulse; the jump was not counted",
    )  # fmt: skip
    MANY_ROLLOVERS = (
        80, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "unread for so long that the counter may have rolled over more than once",
    )  # fmt: skip
    GAP_IN_TOTAL = (
        81, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "the total lacks what flowed while there was no good rate",
    )  # fmt: skip
    INCOMPLETE = (
        82, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "too few good samples in the interval",
    )  # fmt: skip
    PART_OF_PERIOD = (
        83, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "counting began in the course of the period",
    )  # fmt: skip
    ESTIMATED = (
        84, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "the boundary of the period fell into a gap; what the gap holds was shared out by time",
    )  # fmt: skip
    BELOW_TANK = (
        85, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "depth below the bottom of the tank",
    )  # fmt: skip
    ABOVE_TANK = (
        86, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "depth above the top of the tank",
    )  # fmt: skip
    WATER_TOO_COLD = (
        87, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "water colder than the density formula is valid for",
    )  # fmt: skip
    WATER_TOO_WARM = (
        88, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "water warmer than the density formula is valid for",
    )  # fmt: skip
    TRANSDUCER_DRY = (
        89, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "pressure of the air or less: the water is at or below the transducer",
    )  # fmt: skip

    # Keeping and timing: there is a value, with a doubt about it.
    TIME_UNSURE = (
        100, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "the clock was never set in that run of the computer: the time is an estimate",
    )  # fmt: skip
    THINNED = (
        101, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "stands for all readings of an interval: there was no room to keep them",
    )  # fmt: skip
    COUNTED_WHILE_DOWN = (
        102, Quality.UNCERTAIN, Category.OUT_OF_SPECIFICATION,
        "the total includes pulses counted while the station was down; when they came is unknown",
    )  # fmt: skip

    # The battery.
    SHED = (
        110, Quality.BAD, Category.FUNCTION_CHECK,
        "not measured, to spare the battery",
    )  # fmt: skip
    NO_SUPPLY = (
        111, Quality.BAD, Category.FAILURE,
        "the sensor's supply could not be switched on",
    )  # fmt: skip
    BATTERY_UNKNOWN = (
        112, Quality.UNCERTAIN, Category.FAILURE,
        "the battery's voltage is not known: the stage is held, or the safe one",
    )  # fmt: skip

    # Computing: there is no value.
    NO_EARLIER_COUNT = (
        30, Quality.BAD, Category.FUNCTION_CHECK,
        "no earlier count yet to compute a rate from",
    )  # fmt: skip
    NOT_A_NUMBER = (31, Quality.BAD, Category.FAILURE, "the device did not send a number")
    NO_INPUT_YET = (
        90, Quality.BAD, Category.FUNCTION_CHECK,
        "a channel this one is computed from has not been read yet",
    )  # fmt: skip
    INPUT_TOO_OLD = (
        91, Quality.BAD, Category.FAILURE,
        "a channel this one is computed from has not been read for long",
    )  # fmt: skip
    NO_DRAWDOWN = (
        92, Quality.BAD, Category.FUNCTION_CHECK,
        "too little drawdown to divide by",
    )  # fmt: skip
    NO_REST_LEVEL_YET = (
        93, Quality.BAD, Category.FUNCTION_CHECK,
        "the pump has not been seen at rest yet",
    )  # fmt: skip
    OUT_OF_DOMAIN = (
        94, Quality.BAD, Category.OUT_OF_SPECIFICATION,
        "the formula has no value here",
    )  # fmt: skip

    TOO_FEW_SAMPLES = (
        95, Quality.BAD, Category.FUNCTION_CHECK,
        "too few good samples in the interval to compute this from",
    )  # fmt: skip

    # The line to the device.
    NO_REPLY = (40, Quality.BAD, Category.FAILURE, "no reply within the time-out")
    BAD_CHECKSUM = (41, Quality.BAD, Category.FAILURE, "the reply's checksum is wrong: noise")
    SHORT_FRAME = (42, Quality.BAD, Category.FAILURE, "the reply broke off")
    WRONG_UNIT = (43, Quality.BAD, Category.FAILURE, "another unit replied than the one asked")
    WRONG_REPLY = (44, Quality.BAD, Category.FAILURE, "the reply does not answer the request")
    PORT_ABSENT = (45, Quality.BAD, Category.FAILURE, "the serial port is not there")
    PORT_DENIED = (46, Quality.BAD, Category.FAILURE, "no permission to open the serial port")
    PORT_UNUSABLE = (
        47,
        Quality.BAD,
        Category.FAILURE,
        "the serial port cannot be opened: another program may have it",
    )
    NO_CONNECTION = (48, Quality.BAD, Category.FAILURE, "no connection to the device's address")
    SILENT = (49, Quality.BAD, Category.FAILURE, "the device has not spoken lately")
    INTERNAL = (50, Quality.BAD, Category.FAILURE, "a defect in the driver: see the log")
    BABBLE = (
        51, Quality.BAD, Category.FAILURE,
        "something on the line talks without end: no reply can be made out",
    )  # fmt: skip

    # What outputs are switched by.
    GPIO_ABSENT = (52, Quality.BAD, Category.FAILURE, "the GPIO chip or line is not there")
    GPIO_DENIED = (53, Quality.BAD, Category.FAILURE, "no permission to open the GPIO chip")
    GPIO_UNUSABLE = (
        54, Quality.BAD, Category.FAILURE,
        "the GPIO line cannot be had: another program may have it",
    )  # fmt: skip
    GPIO_UNSUPPORTED = (
        55, Quality.BAD, Category.FAILURE,
        "the package gpiod is not installed: it comes with the extra gpio",
    )  # fmt: skip
    NOT_AS_SWITCHED = (
        56, Quality.BAD, Category.FAILURE,
        "switched and found otherwise: a stuck relay, or one without supply",
    )  # fmt: skip

    # Modbus exception replies (Modbus Application Protocol V1.1b3, section 7).
    ILLEGAL_FUNCTION = (
        61, Quality.BAD, Category.FAILURE, "exception 1: the device has no such function",
    )  # fmt: skip
    ILLEGAL_ADDRESS = (
        62, Quality.BAD, Category.FAILURE, "exception 2: the device has no such register",
    )  # fmt: skip
    ILLEGAL_VALUE = (
        63, Quality.BAD, Category.FAILURE, "exception 3: the device refuses the request's length",
    )  # fmt: skip
    DEVICE_FAILURE = (64, Quality.BAD, Category.FAILURE, "exception 4: the device failed")
    DEVICE_BUSY = (66, Quality.BAD, Category.FUNCTION_CHECK, "exception 5 or 6: the device is busy")
    MEMORY_PARITY = (68, Quality.BAD, Category.FAILURE, "exception 8: memory error in the device")
    GATEWAY_PATH = (70, Quality.BAD, Category.FAILURE, "exception 10: the gateway has no path")
    GATEWAY_TARGET = (
        71, Quality.BAD, Category.FAILURE, "exception 11: the device behind the gateway is silent",
    )  # fmt: skip
    OTHER_EXCEPTION = (79, Quality.BAD, Category.FAILURE, "an exception code outside the standard")

    @property
    def of_the_line(self) -> bool:
        """Whether it comes from the line to the device, rather than from computing."""
        return 40 <= self.code < 80 or self in {Reason.SHED, Reason.NO_SUPPLY}

    @property
    def passes_by_itself(self) -> bool:
        """Whether computing only waits for something, such as a rate for its first pulse."""
        return self.category is Category.FUNCTION_CHECK and not self.of_the_line

    @property
    def slug(self) -> str:
        """One word for the wire and for tables, such as ``open-loop``."""
        return self.name.lower().replace("_", "-")


BY_CODE: dict[int, Reason] = {reason.code: reason for reason in Reason}
BY_SLUG: dict[str, Reason] = {reason.slug: reason for reason in Reason}


def worst(*reasons: Reason) -> Reason:
    """Return the reason of the worst quality; of equals, the first named."""
    return max(reasons, key=lambda reason: reason.quality, default=Reason.OK)


def modbus_exception(code: int) -> Reason:
    """Translate an exception code of the Modbus application protocol."""
    # "Acknowledge" (5) means the same as "busy" (6) to one who only reads: ask again later.
    reason = BY_CODE.get(60 + (6 if code == 5 else code), Reason.OTHER_EXCEPTION)
    # From 80 on the codes are those of other things than exceptions.
    return reason if reason.of_the_line else Reason.OTHER_EXCEPTION
