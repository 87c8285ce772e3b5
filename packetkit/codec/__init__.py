"""Python back ends of a layout: records in, frames out, and back.

frame   the public Frame: functions specialised per layout, at full speed
walk    the interpreter of layouts: detail, salvage, and every error message
"""
