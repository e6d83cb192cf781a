"""What can be wrong with a photo of a child or an instrument, in words a parent understands.

The problems of the printed sheet and the camera are in `calibration.problems`; here are those of the file, of the
picture's quality, of the person and of the instrument.  Each advice is the one thing to do differently.
"""

from __future__ import annotations

from calibration.problems import Problem

# --- the file ---------------------------------------------------------------------------------------------------------

FILE_UNREADABLE = Problem(
    "file_unreadable",
    "This file cannot be read as a photo.",
    "Send the photo again as the phone saved it (JPEG, HEIC, PNG or WebP).",
)
FILE_DAMAGED = Problem(
    "file_damaged",
    "This photo arrived incomplete or damaged.",
    "Send the photo again and wait until it has been sent completely.",
)
FILE_TOO_LARGE = Problem(
    "file_too_large",
    "This photo is larger than we accept.",
    "Take the photo with the phone's normal resolution (about 12 megapixels).",
)
FILE_ANIMATED = Problem(
    "file_animated",
    "This file is a moving picture, not a single photo.",
    "Send one still photo.",
)
CLIP_UNREADABLE = Problem(
    "clip_unreadable",
    "This file cannot be read as a film.",
    "Film with the phone's own camera and send the film as it saved it (MP4, MOV or WebM).",
)
CLIP_DAMAGED = Problem(
    "clip_damaged",
    "This film arrived incomplete or damaged.",
    "Send the film again and wait until it has been sent completely.",
)
CLIP_TOO_LONG = Problem(
    "clip_too_long",
    "This film is longer than we accept.",
    "Film for three to five seconds while you step aside.",
)
CLIP_TOO_LARGE = Problem(
    "clip_too_large",
    "This film is larger than we accept.",
    "Film for three to five seconds in the phone's usual quality (1080p).",
)
PHOTO_TOO_SMALL = Problem(
    "photo_too_small",
    "This photo has too few pixels to measure in.",
    "Send the original photo, not a thumbnail or a screenshot of it.",
)

POINTS_APART = Problem(
    "points_apart",
    "A point that was moved lies far from where everything else in the photo has it.",
    "Look at the moved points once more; if another point is wrong as well, move it too.",
)

# --- the instrument ---------------------------------------------------------------------------------------------------

NO_INSTRUMENT = Problem(
    "no_instrument",
    "We cannot find an instrument in this photo.",
    "Lay the instrument on its back beside the sheet, on a plain surface, and photograph it from straight above.",
)
TWO_INSTRUMENTS = Problem(
    "two_instruments",
    "There seems to be more than one instrument in this photo.",
    "Leave only the one instrument to be measured beside the sheet.",
)
INSTRUMENT_CUT = Problem(
    "instrument_cut",
    "Part of the instrument is outside the photo.",
    "Step back a little, so that the whole instrument and the whole sheet are in the photo.",
)
OUTLINE_NOT_FOUND = Problem(
    "outline_not_found",
    "We cannot follow the outline of the instrument's body in this photo.",
    "Lay the instrument on a plain surface of another colour than its varnish, without strong shadows.",
)
NOT_LYING_FLAT = Problem(
    "not_lying_flat",
    "The instrument does not seem to lie flat on its back beside the sheet.",
    "Lay the instrument on its back on the same flat table or floor as the sheet.",
)
SHOULDER_REST_MOUNTED = Problem(
    "shoulder_rest_mounted",
    "A shoulder rest is mounted, so the instrument does not lie on its back.",
    "Take the shoulder rest off, lay the instrument on its back, and take the photo again. If it has none, choose a "
    "plain, light ground.",
)
VIEW_TOO_STEEP = Problem(
    "view_too_steep",
    "The instrument was photographed too much from the side.",
    "Hold the phone straight above the instrument, about a metre high.",
)
SHEET_CUT = Problem(
    "sheet_cut",
    "Part of the printed sheet is outside the photo.",
    "Step back a little, so that the whole sheet and the whole instrument are in the photo.",
)
PHOTO_BLURRED = Problem(
    "photo_blurred",
    "This photo is blurred.",
    "Hold the phone still, or rest your arms on something, in good light, and take the photo again.",
)
NO_SHEET_IN_SOFT = Problem(
    "no_sheet",
    "We cannot find the printed sheet in this photo, which is not sharp.",
    "Hold the phone still, in good light, with the whole sheet flat and in view, and take the photo again.",
)
OUTLINE_UNCERTAIN = Problem(
    "outline_uncertain",
    "Too little of the instrument's edge can be seen to measure it.",
    "Take the photo from straight above in even daylight, with nothing lying on the instrument.",
)
SHEET_ON_BOOK = Problem(
    "sheet_on_book",
    "The printed sheet seems to lie on a book, so the lengths are less certain.",
    "Lay the sheet flat on the same table as the instrument, or tell us how thick the book is.",
)
BLANK_ON_BOOK = Problem(
    "sheet_on_book",
    "The paper or card seems to lie on a book, so the lengths are less certain.",
    "Lay the paper or card flat on the same table as the instrument, or tell us how thick the book is.",
)
SHEET_ON_INSTRUMENT = Problem(
    "sheet_on_instrument",
    "The sheet lies on the instrument.",
    "Lay the sheet flat on the table beside the instrument, and take the photo again.",
)
PHOTOS_NOT_OF_ONE_INSTRUMENT = Problem(
    "photos_not_of_one_instrument",
    "These photos do not show the same instrument lying unmoved beside the same sheet.",
    "Leave instrument and sheet exactly where they are, and take the photos from different places.",
)
RAISED_OR_MOVED = Problem(
    "raised_or_moved",
    "By these two photos the instrument lies higher or lower than the sheet, or something was moved between them.",
    "Lay both flat on the same table, move nothing, and take three photos from different sides.",
)
STATED_HEIGHT = Problem(
    "stated_height",
    "The photos and what is said of the sheet's height do not go together; the photos are believed.",
    "Look whether the sheet lies on a book, or the instrument in its case or on a cushion, and how high.",
)
INSTRUMENT_STEP_ASIDE = Problem(
    "instrument_step_aside",
    "The photos were taken from nearly the same place, so they tell little more than one of them.",
    "One step to the side, please: photograph the instrument from there, too, with nothing moved.",
)
INSTRUMENT_LEFT_OUT = Problem(
    "instrument_left_out",
    "Not all photos go with one another, and what does not was left out: something had been moved, or it shows too "
    "little.",
    "If it matters, leave instrument and sheet where they are, and take again what was left out.",
)

# --- the person -------------------------------------------------------------------------------------------------------

NO_PERSON = Problem(
    "no_person",
    "We cannot find a person in this photo.",
    "Take the photo so that the child is seen from the head to the hips, with one arm stretched out.",
)
SEVERAL_PEOPLE = Problem(
    "several_people",
    "There is more than one person in this photo.",
    "Take the photo again with only the child in it.",
)
PERSON_CUT = Problem(
    "person_cut",
    "The child's head, shoulders or stretched arm are not completely in the photo.",
    "Step back a little and keep the child from the head to the hips, and the whole arm, in the photo.",
)
PERSON_TOO_SMALL = Problem(
    "person_too_small",
    "The child is too small in this photo.",
    "Go closer, 1.5 to 2.5 metres away, and send the photo in its original size.",
)
PHOTO_TOO_DARK = Problem(
    "photo_too_dark",
    "This photo is too dark to see the arm.",
    "Switch on the light, or turn so that the light falls on the child, and take the photo again.",
)
SHEET_ON_PERSON = Problem(
    "sheet_on_person",
    "The sheet is held or worn in front of the child.",
    "Hang the sheet flat on the wall, beside the child.",
)
SELFIE_LENS = Problem(
    "selfie_lens",
    "This photo was taken with the phone's front camera.",
    "Let somebody else take the photo with the camera on the phone's back.",
)
NO_ARM_OUT = Problem(
    "no_arm_out",
    "No arm is stretched out sideways in this photo.",
    "Let the child stretch one arm out sideways at shoulder height, and take the photo again.",
)
ELBOW_BENT = Problem(
    "elbow_bent",
    "The child's elbow is bent.",
    "Let the child stretch the arm until the elbow is straight, and take the photo again.",
)
ARM_TOO_LOW = Problem(
    "arm_too_low",
    "The child's arm hangs below shoulder height.",
    "Let the child raise the arm to shoulder height, and take the photo again.",
)
ARM_TOO_HIGH = Problem(
    "arm_too_high",
    "The child's arm is raised above shoulder height.",
    "Let the child lower the arm to shoulder height, and take the photo again.",
)
ARM_FORWARD = Problem(
    "arm_forward",
    "The child's arm or forearm points towards the camera.",
    "Let the child lay the back of the hand against the wall, and take the photo again.",
)
TORSO_TURNED = Problem(
    "torso_turned",
    "The child is turned to one side.",
    "Let the child stand with the whole back against the wall, and take the photo again.",
)
BACK_VIEW = Problem(
    "back_view",
    "The child seems to be seen from behind, or looks away.",
    "Let the child stand with the back to the wall, look at the camera, and take the photo again.",
)
HAND_HIDDEN = Problem(
    "hand_hidden",
    "We cannot see the child's open hand.",
    "Let the child open the hand with the palm to the camera, nothing in front of it, and take the photo again.",
)
BLANK_TOO_FAR = Problem(
    "sheet_too_far",
    "The paper or card is too far from the child's arm.",
    "Bring the paper or card beside the stretched arm, a hand's breadth above or below it, and take the photo again.",
)
SHEET_TOO_FAR = Problem(
    "sheet_too_far",
    "The printed sheet hangs too far from the child's arm.",
    "Hang the sheet beside the stretched arm, a hand's breadth above or below it, and take the photo again.",
)
CAMERA_TILTED = Problem(
    "camera_tilted",
    "The photo was taken too much from the side, from above or from below.",
    "Stand in front of the child's shoulder, hold the phone upright at that height, and take the photo again.",
)
STEP_ASIDE = Problem(
    "step_aside",
    "The photos were taken from nearly the same place, so they tell little more than one of them.",
    "Take one step to the side, please, and photograph the child from there, too, while it stands still.",
)
CHILD_MOVED = Problem(
    "child_moved",
    "The child may have moved between the photos, so they tell little of how far from the wall it stands.",
    "Take the photos again one after the other while the child stands still, or film for a few seconds.",
)
HAND_OFF_WALL = Problem(
    "hand_off_wall",
    "The hand does not touch the wall. One photo cannot show a child that stands off it (3 cm too long for each 10 cm),"
    " or an elbow bent towards the camera (up to 4 cm too short).",
    "Take it again, the elbow straight, back and back of the hand against the wall, or add photos from a step to"
    " either side.",
)
NOT_AS_TOLD = Problem(
    "not_as_told",
    "The photo looks otherwise than what is said of the hand and the wall, and the arm is measured as it is said.",
    "Look where the hand's shadow falls: right beside it where it touches the wall. If in doubt, let the photo tell.",
)
STANDS_AWAY = Problem(
    "stands_away",
    "The arm looks too long for the child's age and height, as if the child stood away from the wall.",
    "Check the date of birth and the height, and take the photo again with back and back of the hand against the wall.",
)
STATED_BUILD = Problem(
    "stated_build",
    "The photo and the stated age or height do not go together; the photo is believed.",
    "Check the date of birth and the height.",
)

STRONG_GLARE = Problem(
    "strong_glare",
    "Light glares so strongly on the instrument that its edge cannot be followed.",
    "Turn the instrument or switch off the flash, so that no lamp or window is mirrored in the varnish.",
)
