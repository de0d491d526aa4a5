"""Whether the disk has room for what a run keeps."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from polewright.foundation.errors import in_words
from polewright.foundation.files import folder_trouble
from polewright.foundation.language import say
from polewright.observing.rig.rig import Rig

if TYPE_CHECKING:
    pass

# What writes FITS is loaded when a frame is kept: it takes a second and 40 MB that an idle
# service need not spend.


def check_room(rig: Rig) -> None:
    """Tell before anything moves that frames will not be kept, where that can be seen."""
    if rig.config.run.keep_frames is None:
        return
    folder = Path(rig.config.run.keep_frames).expanduser()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        trouble = folder_trouble(folder, say("folder of kept frames"))
    except OSError as exc:
        trouble = say(
            "the folder of kept frames {folder} cannot be made: {exc}",
            folder=folder,
            exc=in_words(exc, told=folder),
        )
    if trouble:
        rig.note(say("Frames will not be kept: {trouble}.", trouble=trouble), warning=True)
