"""What can go wrong with a rig's configuration file."""

from __future__ import annotations

from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say


class AnswerWrong(ConfigError):
    """An answer is not usable."""

    code = "answer_wrong"

    def __init__(self, key: str, given: str, reason: str) -> None:
        super().__init__(key, given, reason)
        self.key, self.given, self.reason = key, given, reason

    def __str__(self) -> str:
        return say(
            "{given!r} is not usable for {key}: {reason}",
            given=self.given,
            key=self.key,
            reason=self.reason,
        )


class NobodyToAsk(ConfigError):
    """No answer was given, and nobody sits at a terminal."""

    code = "nobody_to_ask"
    advice = say(
        "Run it in a terminal, or give answers as options, such as --site-latitude-deg "
        "(`polewright profile --help` lists them)."
    )

    def __str__(self) -> str:
        return say("no questions can be asked: standard input is no terminal")


class ProfileNotWritten(ConfigError):
    """The file cannot be written; what was there is untouched."""

    code = "profile_not_written"
    advice = say("Choose another file with --config, or set the folder's permissions.")

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say("{path} cannot be written: {reason}", path=self.path, reason=self.reason)


class FileChangedMeanwhile(ConfigError):
    """Somebody else changed the file between reading and writing."""

    code = "file_changed_meanwhile"
    advice = say("Run the command again; it starts from the file as it is now.")

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return say(
            "{path} was changed by somebody else meanwhile; nothing was written", path=self.path
        )


class PixelUnknown(ConfigError):
    """A focal length does not follow from a pixel scale without the pixel's size."""

    code = "pixel_unknown"
    advice = say("Give [optics] pixel_um: it stands in the camera's data sheet.")

    def __str__(self) -> str:
        return say("the camera does not tell the size of its pixels")
