"""The house, in reading order: one room for each workbook, and what the rooms share.

rig               00  what the reader owns: parts, files, form, demo
pixel_scale       01  can the guide camera see a movement that is too small for the main camera?
starlight         02  light, sky, noise, and how well a centre can be known
guide_field       03  how many usable stars fall on the guide sensor, here and after the meridian flip
seeing            04  how far the air moves a star, and what an exposure averages away
multi_star        05  what averaging many stars removes, and what it never can
near_infrared     06  what guiding in the near infrared gains, piece by piece
correction_loop   07  when correcting helps, and when it chases the air
camera_check      08  a camera judged by its own frames
night_comparison  09  two cameras in one night, with honest statistics
error_budget      10  the whole chain, its causes, and what to change next
planetary         11  the same camera on planets
ledger                the reader's numbers from the first room to the last, each from the room that shows it

shared            what several rooms need and none owns: checks of arguments, files, series, sky, optics
classroom         furniture of workbooks: figures, panels, exercises, forms
command           what `python3 -m helpers` does
"""
