"""What a user can put right.

CarrierfloorError
    +-- SettingError   a value in a voice, a rig or an option is not allowed
    +-- AudioError     a sound file or signal cannot be used

The command line prints these on one line; anything else is a bug and shows its traceback.
"""


class CarrierfloorError(Exception):
    """Base of all refusals; the message is one line: what, value, allowed, what to do."""


class SettingError(CarrierfloorError):
    """A value in a voice, a rig or an option is not allowed."""


class AudioError(CarrierfloorError):
    """A sound file or signal cannot be used."""
