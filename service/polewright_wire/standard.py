"""The members of the standard device types: method, parameters, first interface version.

Facts from the Alpaca device API description v1: which members exist, parameter names and types.
The switch's CancelAsync is not in that description but in the interface, as the official client
library has it. First interface versions and the names in devicestate are from memory.
A device class only writes the code; see `polewright_wire.device`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from polewright_wire.parameters import Kind

_INT, _NUM, _BOOL, _TEXT = Kind.INTEGER, Kind.NUMBER, Kind.BOOLEAN, Kind.TEXT


_COMMON_READS = (
    "connected connecting description devicestate driverinfo driverversion interfaceversion name "
    "supportedactions "
)
_SWITCH_QUESTIONS = (
    "canasync canwrite getswitch getswitchdescription getswitchname getswitchvalue "
    "minswitchvalue maxswitchvalue statechangecomplete switchstep"
)


@dataclass(frozen=True)
class Verb:
    """One method of one member."""

    parameters: Mapping[str, Kind]
    since: int = 1
    """First interface version that has it; earlier ones answer HTTP 400."""


@dataclass(frozen=True)
class DeviceStandard:
    """All that the standard says about the wire of one device type."""

    title: str
    """The type as the management API writes it; lower case in URLs."""
    latest: int
    """Newest interface version; from here on there are connect and devicestate."""
    verbs: Mapping[tuple[str, str], Verb]
    """Keys are (method, member), e.g. ("PUT", "moveaxis")."""
    state: tuple[str, ...] = ()
    """Names in devicestate, cased as the interface documents have them."""

    @property
    def type_name(self) -> str:
        """The type as it stands in URLs."""
        return self.title.lower()

    def members(self) -> frozenset[str]:
        """Names of all members."""
        return frozenset(member for _, member in self.verbs)


def _device(
    title: str,
    latest: int,
    reads: str,
    writes: Mapping[str, Mapping[str, Kind]],
    *,
    asked: Mapping[str, Mapping[str, Kind]] | None = None,
    newest: str = "",
    state: str = "",
) -> DeviceStandard:
    """Join a type's own members with those that all types have.

    Args:
        title: mixed-case type name.
        latest: newest interface version.
        reads: members read without parameters, separated by blanks.
        writes: members written, and the form's parameters.
        asked: members read with parameters in the query.
        newest: members that only ``latest`` has.
        state: names in devicestate, separated by blanks.
    """
    command = {"Command": _TEXT, "Raw": _BOOL}
    verbs: dict[tuple[str, str], Verb] = {}
    for member in (_COMMON_READS + reads).split():
        verbs["GET", member] = Verb({})
    for member, parameters in (asked or {}).items():
        verbs["GET", member] = Verb(parameters)
    common_writes: dict[str, Mapping[str, Kind]] = {
        "action": {"Action": _TEXT, "Parameters": _TEXT},
        "commandblind": command,
        "commandbool": command,
        "commandstring": command,
        "connect": {},
        "connected": {"Connected": _BOOL},
        "disconnect": {},
    }
    for member, parameters in {**common_writes, **writes}.items():
        verbs["PUT", member] = Verb(parameters)
    only_latest = {"connect", "connecting", "disconnect", "devicestate", *newest.split()}
    for key, verb in verbs.items():
        if key[1] in only_latest:
            verbs[key] = Verb(verb.parameters, since=latest)
    return DeviceStandard(title, latest, MappingProxyType(verbs), tuple(state.split()))


TELESCOPE = _device(
    "Telescope",
    4,
    "alignmentmode altitude aperturearea aperturediameter athome atpark azimuth canfindhome "
    "canpark canpulseguide cansetdeclinationrate cansetguiderates cansetpark cansetpierside "
    "cansetrightascensionrate cansettracking canslew canslewaltaz canslewaltazasync canslewasync "
    "cansync cansyncaltaz canunpark declination declinationrate doesrefraction equatorialsystem "
    "focallength guideratedeclination guideraterightascension ispulseguiding rightascension "
    "rightascensionrate sideofpier siderealtime siteelevation sitelatitude sitelongitude slewing "
    "slewsettletime targetdeclination targetrightascension tracking trackingrate trackingrates "
    "utcdate",
    {
        "declinationrate": {"DeclinationRate": _NUM},
        "doesrefraction": {"DoesRefraction": _BOOL},
        "guideratedeclination": {"GuideRateDeclination": _NUM},
        "guideraterightascension": {"GuideRateRightAscension": _NUM},
        "rightascensionrate": {"RightAscensionRate": _NUM},
        "sideofpier": {"SideOfPier": _INT},
        "siteelevation": {"SiteElevation": _NUM},
        "sitelatitude": {"SiteLatitude": _NUM},
        "sitelongitude": {"SiteLongitude": _NUM},
        "slewsettletime": {"SlewSettleTime": _INT},
        "targetdeclination": {"TargetDeclination": _NUM},
        "targetrightascension": {"TargetRightAscension": _NUM},
        "tracking": {"Tracking": _BOOL},
        "trackingrate": {"TrackingRate": _INT},
        "utcdate": {"UTCDate": _TEXT},
        "abortslew": {},
        "findhome": {},
        "moveaxis": {"Axis": _INT, "Rate": _NUM},
        "park": {},
        "pulseguide": {"Direction": _INT, "Duration": _INT},
        "setpark": {},
        "slewtoaltaz": {"Azimuth": _NUM, "Altitude": _NUM},
        "slewtoaltazasync": {"Azimuth": _NUM, "Altitude": _NUM},
        "slewtocoordinates": {"RightAscension": _NUM, "Declination": _NUM},
        "slewtocoordinatesasync": {"RightAscension": _NUM, "Declination": _NUM},
        "slewtotarget": {},
        "slewtotargetasync": {},
        "synctoaltaz": {"Azimuth": _NUM, "Altitude": _NUM},
        "synctocoordinates": {"RightAscension": _NUM, "Declination": _NUM},
        "synctotarget": {},
        "unpark": {},
    },
    asked={
        "axisrates": {"Axis": _INT},
        "canmoveaxis": {"Axis": _INT},
        "destinationsideofpier": {"RightAscension": _NUM, "Declination": _NUM},
    },
    state="Altitude AtHome AtPark Azimuth Declination IsPulseGuiding RightAscension SideOfPier "
    "SiderealTime Slewing Tracking UTCDate",
)

CAMERA = _device(
    "Camera",
    4,
    "bayeroffsetx bayeroffsety binx biny camerastate cameraxsize cameraysize canabortexposure "
    "canasymmetricbin canfastreadout cangetcoolerpower canpulseguide cansetccdtemperature "
    "canstopexposure ccdtemperature cooleron coolerpower electronsperadu exposuremax exposuremin "
    "exposureresolution fastreadout fullwellcapacity gain gainmax gainmin gains hasshutter "
    "heatsinktemperature imagearray imagearrayvariant imageready ispulseguiding "
    "lastexposureduration lastexposurestarttime maxadu maxbinx maxbiny numx numy offset offsetmax "
    "offsetmin offsets percentcompleted pixelsizex pixelsizey readoutmode readoutmodes sensorname "
    "sensortype setccdtemperature startx starty subexposureduration",
    {
        "binx": {"BinX": _INT},
        "biny": {"BinY": _INT},
        "cooleron": {"CoolerOn": _BOOL},
        "fastreadout": {"FastReadout": _BOOL},
        "gain": {"Gain": _INT},
        "numx": {"NumX": _INT},
        "numy": {"NumY": _INT},
        "offset": {"Offset": _INT},
        "readoutmode": {"ReadoutMode": _INT},
        "setccdtemperature": {"SetCCDTemperature": _NUM},
        "startx": {"StartX": _INT},
        "starty": {"StartY": _INT},
        "subexposureduration": {"SubExposureDuration": _NUM},
        "abortexposure": {},
        "pulseguide": {"Direction": _INT, "Duration": _INT},
        "startexposure": {"Duration": _NUM, "Light": _BOOL},
        "stopexposure": {},
    },
    state="CameraState CCDTemperature CoolerPower HeatSinkTemperature ImageReady IsPulseGuiding "
    "PercentCompleted",
)

SAFETY_MONITOR = _device("SafetyMonitor", 3, "issafe", {}, state="IsSafe")

COVER_CALIBRATOR = _device(
    "CoverCalibrator",
    2,
    "brightness calibratorchanging calibratorstate covermoving coverstate maxbrightness",
    {
        "calibratoroff": {},
        "calibratoron": {"Brightness": _INT},
        "closecover": {},
        "haltcover": {},
        "opencover": {},
    },
    newest="calibratorchanging covermoving",
    state="Brightness CalibratorChanging CalibratorState CoverMoving CoverState",
)

DOME = _device(
    "Dome",
    3,
    "altitude athome atpark azimuth canfindhome canpark cansetaltitude cansetazimuth cansetpark "
    "cansetshutter canslave cansyncazimuth shutterstatus slaved slewing",
    {
        "slaved": {"Slaved": _BOOL},
        "abortslew": {},
        "closeshutter": {},
        "findhome": {},
        "openshutter": {},
        "park": {},
        "setpark": {},
        "slewtoaltitude": {"Altitude": _NUM},
        "slewtoazimuth": {"Azimuth": _NUM},
        "synctoazimuth": {"Azimuth": _NUM},
    },
    state="Altitude AtHome AtPark Azimuth ShutterStatus Slewing",
)

FOCUSER = _device(
    "Focuser",
    4,
    "absolute ismoving maxincrement maxstep position stepsize tempcomp tempcompavailable "
    "temperature",
    {"tempcomp": {"TempComp": _BOOL}, "halt": {}, "move": {"Position": _INT}},
    state="IsMoving Position Temperature",
)

OBSERVING_CONDITIONS = _device(
    "ObservingConditions",
    2,
    "averageperiod cloudcover dewpoint humidity pressure rainrate skybrightness skyquality "
    "skytemperature starfwhm temperature winddirection windgust windspeed",
    {"averageperiod": {"AveragePeriod": _NUM}, "refresh": {}},
    asked={
        "sensordescription": {"SensorName": _TEXT},
        "timesincelastupdate": {"SensorName": _TEXT},
    },
    state="CloudCover DewPoint Humidity Pressure RainRate SkyBrightness SkyQuality SkyTemperature "
    "StarFWHM Temperature WindDirection WindGust WindSpeed",
)

SWITCH = _device(
    "Switch",
    3,
    "maxswitch",
    {
        "cancelasync": {"Id": _INT},
        "setasync": {"Id": _INT, "State": _BOOL},
        "setasyncvalue": {"Id": _INT, "Value": _NUM},
        "setswitch": {"Id": _INT, "State": _BOOL},
        "setswitchname": {"Id": _INT, "Name": _TEXT},
        "setswitchvalue": {"Id": _INT, "Value": _NUM},
    },
    asked={member: {"Id": _INT} for member in _SWITCH_QUESTIONS.split()},
    newest="canasync cancelasync setasync setasyncvalue statechangecomplete",
)

STANDARDS: Mapping[str, DeviceStandard] = MappingProxyType(
    {
        standard.type_name: standard
        for standard in (
            TELESCOPE,
            CAMERA,
            SAFETY_MONITOR,
            COVER_CALIBRATOR,
            DOME,
            FOCUSER,
            OBSERVING_CONDITIONS,
            SWITCH,
        )
    }
)
