"""The glossary: every channel, its unit inside, what its values can be, and what loggers call it.

A header is reduced to plain words (`plain_words`): case, accents, numbers and filler words go, and
synonyms of several languages become one word. A header names a channel when what is left equals one
of the channel's phrases in any order. Nothing looser is tried: "roller rpm" is not engine speed.

Ranges without a source are common practice; they are wide, since their task is to catch a wrong
unit or a wrong column and never a strange engine.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from tuneassist.units import UNITS, Quantity, convert, find_unit

if TYPE_CHECKING:
    from tuneassist.grid import Axes

Range = tuple[float, float]
ANY: Range = (-math.inf, math.inf)

_SYNONYMS: Mapping[str, str] = MappingProxyType(
    {
        "temp": "temperature temperatur temperatura tmp",
        "pressure": "press pres druck pression presion pressione",
        "position": "pos stellung posicion",
        "engine": "eng motor moteur mot",
        "abs": "absolute absolut absoluter absolu absoluta",
        "gauge": "gage relative rel relativ relativer",
        "manifold": "man mani",
        "intake": "inlet admission admision saugrohr ansaug",
        "coolant": "water h2o eau agua wasser refrigerante kuhlmittel kuehlmittel kuhlwasser",
        "exhaust": "exh abgas echappement escape",
        "oil": "ol oel huile aceite",
        "throttle": "drosselklappe papillon mariposa",
        "pedal": "pedale fahrpedal gaspedal acelerador accelerator accel accelerateur",
        "target": "desired commanded command cmd setpoint soll sollwert requested request demand "
        "demanded wanted consigne objetivo",
        "lambda": "λ lam luftzahl lambdawert",
        "volts": "volt voltage spannung tension voltaje",
        "battery": "batt bat batterie bateria",
        "injector": "inj injectors einspritzventil",
        "speed": "spd",
        "torque": "drehmoment couple trq",
        "power": "leistung puissance potencia pwr",
        "gear": "gang rapport marcha",
        "time": "zeit temps tiempo tempo uhrzeit heure hora",
        "rpm": "drehzahl motordrehzahl regime revs revoluciones nmot tach tacho giri toerental",
        "load": "last motorlast charge carga",
        "throttle position": "tps",
        "coolant temp": "ect clt cts kuhlmitteltemperatur kuehlmitteltemperatur wassertemperatur "
        "kuhlwassertemperatur kuehlwassertemperatur motortemperatur tmot",
        "intake temp": "iat mat ansauglufttemperatur ladelufttemperatur",
        "exhaust temp": "egt abgastemperatur",
        "oil temp": "oltemperatur oeltemperatur",
        "oil pressure": "oldruck oeldruck",
        "manifold pressure": "map saugrohrdruck",
        "boost": "ladedruck overpressure suralimentation",
        "barometer": "baro barometric atmospheric ambient atm umgebungsdruck luftdruck "
        "atmospherique atmosferica",
        "short fuel trim": "stft",
        "long fuel trim": "ltft",
        "rail pressure": "raildruck",
        "vehicle speed": "vss geschwindigkeit vitesse velocidad",
        "battery volts": "vbat vbatt ubat batteriespannung bordspannung",
        "wideband": "uego wideband02 widebando2 breitband",
        "afr": "a/f",
        "knock": "klopfen cliquetis picado",
    }
)
_CANONICAL: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {alias: tuple(word.split()) for word, line in _SYNONYMS.items() for alias in line.split()}
)
_FILLER_LINE = (
    "sensor actual act measured meas value signal current cur ist istwert mesure ecu ecm can log "
    "bank cyl cylinder b1s1 b2s1 b1 b2 s1 s2 the of at in de du d der des la le el del no nr "
    "sender reading group gruppe groupe channel"
)
_FILLERS = frozenset(_FILLER_LINE.split())
_REFERENCE_WORDS = frozenset({"abs", "gauge"})


def plain_words(text: str) -> tuple[str, ...]:
    """Reduce a header to its plain words: no case, accents, numbers, fillers; synonyms made one.

    Parameters
    ----------
    text
        A header, without its unit.

    Returns
    -------
    tuple of str
        Words in order. "abs" and "gauge" stay; callers who match phrases take them out.

    Examples
    --------
    >>> plain_words("EngineSpeed")
    ('engine', 'speed')
    >>> plain_words("Kühlmitteltemperatur 1")
    ('coolant', 'temp')
    """
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    folded = unicodedata.normalize("NFKD", spaced).casefold()
    bare = "".join(c for c in folded if not unicodedata.combining(c)).replace("a/f", " afr ")
    bare = re.sub(r"(?<=[^\W\d_]{3})(?=\d)", " ", bare)
    words: list[str] = []
    for word in re.findall(r"[^\W_]+", bare):
        if not word.isdigit() and word not in _FILLERS:
            words.extend(_CANONICAL.get(word, (word,)))
    return tuple(words)


def phrase_key(words: tuple[str, ...]) -> frozenset[str]:
    """Return the words of a phrase without order and without "abs" and "gauge"."""
    return frozenset(words) - _REFERENCE_WORDS


@dataclass(frozen=True)
class Plausible:
    """Where the bulk of a channel's values lies, in the unit inside.

    Quantiles and not extremes are held against it, so that a spike decides nothing. Zeros are
    left out where they mean "not running" or "not ready".

    Parameters
    ----------
    p10, p50, p95
        From and to for the 10 %, 50 % and 95 % quantile.
    zero_is_off
        A value of zero is no measurement.
    """

    p10: Range = ANY
    p50: Range = ANY
    p95: Range = ANY
    zero_is_off: bool = False


@dataclass(frozen=True)
class Channel:
    """One entry of the glossary.

    Parameters
    ----------
    name
        The name in the setup file.
    column
        The name of the column in the frame of samples.
    unit
        Unit inside.
    quantity
        What it measures; the units of this quantity are accepted.
    meaning
        One line for a listing.
    possible
        A single cell outside is no measurement and becomes nan. [unit inside]
    plausible
        Where the bulk of the values lies. [unit inside]
    phrases
        What loggers call it, each as `phrase_key`.
    is_decisive
        Doubt about this channel stops the reading when there is a setup; others are left out
        with a note.
    keeps_peak
        Where a row stands for several readings the highest counts, since a ceiling or a guard is
        held against it, or a filter, which must not miss a burst; of every other channel the
        nearest counts, which leans to no side. Torque has a ceiling but keeps none: gains are
        measured by it.
    """

    name: str
    column: str
    unit: str
    quantity: Quantity
    meaning: str
    possible: Range
    plausible: Plausible
    phrases: frozenset[frozenset[str]]
    is_decisive: bool
    keeps_peak: bool = False


def _channel(
    name: str,
    column: str,
    unit: str,
    quantity: Quantity,
    meaning: str,
    *,
    possible: Range,
    phrases: str,
    plausible: Plausible | None = None,
    is_decisive: bool = True,
    keeps_peak: bool = False,
) -> Channel:
    keys = frozenset(phrase_key(plain_words(phrase)) for phrase in phrases.split(","))
    bulk = plausible or Plausible(p10=possible, p50=possible, p95=possible)
    return Channel(
        name, column, unit, quantity, meaning, possible, bulk, keys, is_decisive, keeps_peak
    )


def _injections() -> str:
    """Phrases for injection beside the fuel; water alone needs the word, for it cools as well."""
    ends = ["", "duty", "duty cycle", "flow", "state", "status", "active", "pump", "pump duty"]
    fluids = [f"{name}{more}" for name in ("methanol", "meth", "water methanol", "water meth")
              for more in ("", " injection")]  # fmt: skip
    return ",".join(f"{name} {end}" for name in (*fluids, "water injection") for end in ends)


BARE_DUTY = ("duty", "duty cycle", "dc")
"""Headers that are the injectors' duty, or that of a valve for boost, cam or idle: asked about."""
MOST_KNOCK = 12
"""Knock columns that one log may have: one for each of many cylinders, and some for the sum. [1]"""


def _further_knock() -> Iterator[Channel]:
    """Channels of knock beside the first: its headers are theirs, too."""
    for number in range(2, MOST_KNOCK + 1):
        yield _channel(
            f"knock_{number}", f"knock_{number}", "1", "number", "a further column of knock",
            possible=(-1e6, 1e6),
            phrases=f"further knock k{number}",
            is_decisive=False,
            keeps_peak=True,
        )  # fmt: skip


_ALL = (
    _channel(
        "time", "time_s", "s", "time", "time since the log began",
        possible=ANY,
        phrases="time,elapsed,elapsed time,time stamp,timestamp,log time,session time,"
        "recording time,zeitstempel,temps ecoule,t,time of day,clock,time since start,device time,"
        "local time",
    ),
    _channel(
        "rpm", "rpm", "rpm", "engine speed", "engine speed",
        possible=(0.0, 25000.0),
        # Below 150 is slower than cranking; the slowest idle of a car's engine is about 500.
        plausible=Plausible(
            p10=(150.0, 20000.0), p50=(300.0, 20000.0), p95=(450.0, 20000.0), zero_is_off=True
        ),
        phrases="rpm,engine rpm,engine speed,engine revs,crank speed,crankshaft speed,crank rpm,"
        "n mot,motordrehzahl,rev counter,vitesse moteur",
    ),
    _channel(
        "load", "load", "", "number", "the load axis of the table, in the setup's load_unit",
        possible=ANY,
        phrases="load,engine load,calculated load,calc load,calculated engine load,engine load "
        "calculated,abs load,air mass,air charge,cylinder air mass,air mass per stroke,cylinder "
        "charge,luftmasse,injected quantity,injection quantity,fuel quantity,einspritzmenge,"
        "mass air flow,mass air flow rate,maf,maf rate,air flow,air flow rate,injected fuel",
    ),
    _channel(
        "lambda", "lambda", "lambda", "mixture", "measured lambda",
        # Zero is a sensor that heats up. Free air reads 10 and more; 40 is beyond every sensor.
        possible=(0.3, 40.0),
        # The flammable range of petrol is about 0.3 to 1.6 lambda, a diesel idles at 4 to 9.
        plausible=Plausible(p10=(0.4, 30.0), p50=(0.55, 9.0), p95=(0.6, 40.0), zero_is_off=True),
        phrases="lambda,afr,air fuel ratio,wideband,wideband lambda,wideband afr,wideband o2,"
        "o2 lambda,wideband o2 lambda,exhaust lambda,exhaust afr,o2 afr,phi,richesse,"
        "equivalence ratio,eq ratio,o2 eq ratio,o2 equivalence ratio,afr ratio,lambda probe,"
        "lambdasonde,rapport air carburant",
    ),
    _channel(
        "lambda_target", "lambda_target", "lambda", "mixture", "lambda that the controller wants",
        possible=(0.3, 40.0),
        plausible=Plausible(p50=(0.55, 9.0), zero_is_off=True),
        phrases="lambda target,afr target,air fuel ratio target,target equivalence ratio,"
        "lambda set point,afr set point,target fuel air equivalence ratio",
    ),
    _channel(
        "lambda_second", "lambda_second", "lambda", "mixture", "measured lambda of a second bank",
        possible=(0.3, 40.0),
        plausible=Plausible(p10=(0.4, 30.0), p50=(0.55, 9.0), p95=(0.6, 40.0), zero_is_off=True),
        # Its headers are those of lambda: it is the column that the setup does not name.
        phrases="second bank lambda,lambda second bank",
        is_decisive=False,
    ),
    _channel(
        "coolant_temp", "coolant_temp_c", "degC", "temperature", "coolant temperature",
        possible=(-60.0, 200.0),
        plausible=Plausible(p10=(-45.0, 130.0), p50=(-45.0, 130.0), p95=(-45.0, 145.0)),
        phrases="coolant,coolant temp,engine coolant,engine coolant temp,engine temp,engine water "
        "temp,t mot,temp coolant out,temp liquide refroidissement,liquide refroidissement",
    ),
    _channel(
        "coolant_volts", "coolant_volts", "V", "voltage", "voltage of the coolant sender",
        possible=(-0.1, 5.6),
        plausible=Plausible(p10=(-0.1, 5.5), p50=(-0.1, 5.5), p95=(-0.1, 5.5)),
        phrases="coolant volts,coolant temp volts,engine temp volts,engine coolant temp volts",
    ),
    _channel(
        "intake_temp", "intake_temp_c", "degC", "temperature", "temperature of the air taken in",
        possible=(-60.0, 250.0),
        plausible=Plausible(p10=(-45.0, 130.0), p50=(-45.0, 140.0), p95=(-45.0, 180.0)),
        phrases="intake temp,intake air temp,air temp,charge air temp,charge temp,intake manifold "
        "temp,manifold air temp,manifold temp,temp air,boost air temp",
        is_decisive=False,
    ),
    _channel(
        "exhaust_temp", "exhaust_temp_c", "degC", "temperature", "exhaust gas temperature",
        possible=(-60.0, 1300.0),
        plausible=Plausible(p10=(-45.0, 1100.0), p50=(-45.0, 1100.0), p95=(-45.0, 1150.0)),
        phrases="egt,exhaust temp,exhaust gas temp,pre turbine temp,exhaust temp pre turbine,"
        "exhaust gas temp pre turbine,turbine intake temp,egt pre turbo,exhaust temp pre turbo",
        keeps_peak=True,
    ),
    _channel(
        "manifold_pressure", "manifold_pressure_kpa", "kPa", "pressure",
        "absolute manifold pressure",
        possible=(1.0, 700.0),
        # No petrol engine runs for long below 12 kPa; a stopped one reads the barometer.
        plausible=Plausible(
            p10=(12.0, 450.0), p50=(18.0, 500.0), p95=(25.0, 600.0), zero_is_off=True
        ),
        phrases="map,manifold pressure,intake pressure,intake manifold pressure,manifold air "
        "pressure,intake air pressure,inlet manifold absolute pressure,collector pressure,"
        "pression collecteur admission",
        keeps_peak=True,
    ),
    _channel(
        "boost", "boost_kpa", "kPa", "pressure", "boost above the barometer (gauge)",
        possible=(-110.0, 600.0),
        # A gauge reading of 80 kPa and more for nine tenths of a log is an absolute pressure.
        plausible=Plausible(p10=(-105.0, 80.0), p50=(-105.0, 400.0), p95=(-105.0, 500.0)),
        phrases="boost,boost pressure,turbo pressure,turbo boost,charge pressure,charge air "
        "pressure,manifold boost,pression turbo,boost vac,boost vacuum",
        keeps_peak=True,
    ),
    _channel(
        "barometer", "barometer_kpa", "kPa", "pressure", "absolute ambient pressure",
        possible=(40.0, 115.0),
        plausible=Plausible(p10=(45.0, 112.0), p50=(45.0, 112.0), p95=(45.0, 112.0)),
        phrases="baro,barometer,barometric pressure",
        is_decisive=False,
    ),
    _channel(
        "throttle", "throttle_pct", "percent", "share", "throttle opening",
        possible=(-20.0, 130.0),
        phrases="throttle,throttle position,tps,throttle opening,throttle valve,throttle pct",
    ),
    _channel(
        "pedal", "pedal_pct", "percent", "share", "accelerator pedal",
        possible=(-20.0, 130.0),
        phrases="pedal,pedal position,accelerator pedal position,pps,pedal accelerator",
    ),
    _channel(
        "fuel_trim_short", "fuel_trim_short_pct", "percent", "share",
        "short fuel trim, + adds fuel",
        possible=(-100.0, 100.0),
        plausible=Plausible(p10=(-80.0, 60.0), p50=(-60.0, 60.0), p95=(-60.0, 80.0)),
        phrases="stft,short fuel trim,short term fuel trim,short trim,short term trim",
    ),
    _channel(
        "fuel_trim_long", "fuel_trim_long_pct", "percent", "share", "long fuel trim, + adds fuel",
        possible=(-100.0, 100.0),
        plausible=Plausible(p10=(-80.0, 60.0), p50=(-60.0, 60.0), p95=(-60.0, 80.0)),
        phrases="ltft,long fuel trim,long term fuel trim,long trim,long term trim",
    ),
    _channel(
        "knock", "knock", "1", "number", "knock, as the logger scales it",
        possible=(-1e6, 1e6),
        phrases="knock,knock level,knock count,knock counts,knock sum,knock retard,knock volts",
        is_decisive=False,
        keeps_peak=True,
    ),
    *_further_knock(),
    _channel(
        "injector_duty", "injector_duty_pct", "percent", "share", "injector duty",
        possible=(-5.0, 200.0),
        # "duty" alone is a boost valve's as often: see BARE_DUTY.
        phrases="injector duty,injector duty cycle,idc,injector dc,fuel injector duty,"
        "fuel injector duty cycle,fuel injector dc",
        keeps_peak=True,
    ),
    _channel(
        "rail_pressure", "rail_pressure_kpa", "kPa", "pressure", "fuel rail pressure",
        possible=(0.0, 400000.0),
        phrases="rail pressure,fuel rail pressure,fuel pressure,common rail pressure,"
        "pression rampe",
        is_decisive=False,
        keeps_peak=True,
    ),
    _channel(
        "fuel_pressure", "fuel_pressure_kpa", "kPa", "pressure", "pressure that the pump supplies",
        possible=(0.0, 5000.0),
        # "fuel pressure" alone is rail_pressure: with port injection they are one.
        phrases="fuel supply pressure,fuel pump pressure,fuel feed pressure,low side fuel pressure,"
        "kraftstoffdruck,benzindruck,pression essence,pression carburant",
        is_decisive=False,
    ),
    _channel(
        "water_methanol", "water_methanol", "1", "number",
        "injection of water or methanol, as the logger scales it",
        possible=(-1e6, 1e6),
        phrases="water methanol,methanol water,water meth,meth water,methanol,meth,wmi,"
        + _injections()
        + ",wassereinspritzung,wasser methanol einspritzung,injection eau",
        is_decisive=False,
        keeps_peak=True,
    ),
    _channel(
        "nitrous", "nitrous", "1", "number", "nitrous oxide, as the logger scales it",
        possible=(-1e6, 1e6),
        phrases="nitrous,nos,n2o,nitrous oxide,nitrous state,nitrous status,nitrous on,"
        "nitrous active,nos active,nitrous solenoid,nitrous duty,nitrous duty cycle,"
        "nitrous solenoid duty,nitrous flow,nitrous output,nitrous stage,lachgas",
        is_decisive=False,
        keeps_peak=True,
    ),
    _channel(
        "ethanol_content", "ethanol_content_pct", "percent", "share", "ethanol in the fuel",
        possible=(-5.0, 105.0),
        phrases="ethanol,ethanol content,ethanol fuel,ethanol percent,ethanol pct,ethanol share,"
        "ethanol concentration,fuel ethanol,fuel ethanol content,flex fuel,flex fuel content,"
        "flex fuel ethanol,flex fuel ethanol content,flex fuel composition,fuel composition,"
        "ethanolgehalt,ethanolanteil",
        is_decisive=False,
    ),
    _channel(
        "closed_loop", "closed_loop", "1", "number",
        "whether lambda is in closed loop (0 or 1, or the states of SAE J1979)",
        possible=(-1e6, 1e6),
        phrases="closed loop,closed loop active,closed loop status,closed loop state,"
        "closed loop fuel,closed loop fueling,fuel closed loop,lambda closed loop,"
        "closed loop lambda,fuel system status,fuel system state,lambda control active,"
        "lambda control status,lambdaregelung,lambdaregelung aktiv,o2 feedback,o2 feedback active",
        is_decisive=False,
    ),
    _channel(
        "torque", "torque_nm", "N.m", "torque", "torque",
        possible=(-3000.0, 10000.0),
        phrases="torque,engine torque,brake torque,par motor",
        is_decisive=False,
    ),
    _channel(
        "power", "power_kw", "kW", "power", "power",
        possible=(-1000.0, 5000.0),
        phrases="power,engine power,brake power",
        is_decisive=False,
    ),
    _channel(
        "vehicle_speed", "vehicle_speed_kmh", "km/h", "road speed", "road speed",
        possible=(-5.0, 600.0),
        phrases="vehicle speed,road speed,speed,car speed,ground speed,roller speed",
        is_decisive=False,
    ),
    _channel(
        "gear", "gear", "1", "number", "gear",
        possible=(-3.0, 24.0),
        phrases="gear,gear position,gear number",
        is_decisive=False,
    ),
    _channel(
        "oil_temp", "oil_temp_c", "degC", "temperature", "oil temperature",
        possible=(-60.0, 250.0),
        plausible=Plausible(p10=(-45.0, 170.0), p50=(-45.0, 170.0), p95=(-45.0, 180.0)),
        phrases="oil temp,engine oil temp,oil,engine oil",
        is_decisive=False,
    ),
    _channel(
        "oil_pressure", "oil_pressure_kpa", "kPa", "pressure", "oil pressure (gauge)",
        possible=(-110.0, 2500.0),
        phrases="oil pressure,engine oil pressure",
        is_decisive=False,
    ),
    _channel(
        "battery_volts", "battery_volts", "V", "voltage", "supply voltage",
        possible=(0.0, 60.0),
        phrases="battery,battery volts,supply volts,system volts,control module volts",
        is_decisive=False,
    ),
)  # fmt: skip

KNOCK = ("knock", *(f"knock_{number}" for number in range(2, MOST_KNOCK + 1)))
"""Names and columns of all channels of knock."""
CHANNELS: Mapping[str, Channel] = MappingProxyType({channel.name: channel for channel in _ALL})
"""Channel name to `Channel`, in the order of the contract."""

VOCABULARY: frozenset[str] = (
    frozenset(word for channel in _ALL for phrase in channel.phrases for word in phrase)
    | _REFERENCE_WORDS
    | frozenset(_FILLERS)
)
"""Every plain word of the glossary; a remark in brackets made of these is no unit."""


def channels_called(words: tuple[str, ...]) -> tuple[str, ...]:
    """Return the names of the channels that go by these plain words.

    Examples
    --------
    >>> channels_called(plain_words("Régime moteur"))
    ('rpm',)
    >>> channels_called(plain_words("Roller rpm"))
    ()
    """
    key = phrase_key(words)
    return tuple(channel.name for channel in _ALL if key and key in channel.phrases)


def is_gauge_name(text: str) -> bool:
    """Tell whether a pressure's name says that it counts from the barometer.

    Examples
    --------
    >>> is_gauge_name("boost"), is_gauge_name("manifold pressure"), is_gauge_name("boost abs")
    (True, False, False)
    """
    words = plain_words(text)
    return "abs" not in words and ("boost" in words or "gauge" in words)


def is_gauge_axis(axes: Axes) -> bool:
    """Tell whether the load axis is a pressure that counts from the barometer.

    Its unit tells, such as "psi gauge"; where that names no reference, the axis' name does.
    """
    reading = find_unit(axes.load_unit)
    if reading is None or UNITS[reading.word].quantity != "pressure":
        return False
    if reading.reference is not None:
        return reading.reference == "gauge"
    return is_gauge_name(axes.load_name)


def load_offset(axes: Axes, barometer_kpa: float) -> float:
    """Return what is added to a load so that it counts from zero, as flow and filling do.

    Parameters
    ----------
    axes
        The table's axes.
    barometer_kpa
        The barometer. [kPa]

    Returns
    -------
    float
        The barometer on a gauge axis, else 0. [``axes.load_unit``]

    Examples
    --------
    >>> from tuneassist.grid import Axes
    >>> axes = Axes(rpm=[800.0, 1200.0], load=[-10.0, 0.0], load_unit="psi gauge")
    >>> round(load_offset(axes, 101.325), 3)
    14.696
    """
    if not is_gauge_axis(axes):
        return 0.0
    return float(convert(barometer_kpa, "kPa", axes.load_unit))


def below_vacuum(axes: Axes) -> tuple[str, str] | None:
    """Tell an absolute pressure axis that begins below zero: what is wrong, and the line to write.

    Returns
    -------
    tuple of str or None
        None where the axis can be meant as it stands.
    """
    reading = find_unit(axes.load_unit)
    if reading is None or UNITS[reading.word].quantity != "pressure" or is_gauge_axis(axes):
        return None
    if axes.load[0] >= 0:
        return None
    return (
        f"axes.load begins at {axes.load[0]:g}, and {axes.load_unit!r} counts from vacuum, below "
        "which there is no pressure.",
        f'For pressure above the barometer write load_unit = "{reading.word} gauge".',
    )
