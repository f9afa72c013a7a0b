"""The Debug Adapter Protocol (an open specification): the stepper for any editor that speaks it."""
