//! What stands at the end of every report: what the model leaves out, cautions, and the words in use.

use super::page::Page;

/// Limits of the model, the ones that a set meets.
const LIMITS: [&str; 9] = [
    "A prediction from the numbers in the scene. Where a number is wrong, so is the answer: measure what decides, and ask for what is not known.",
    "The wall's drive is a model. Makers seldom publish their patterns of pulses, and a setting in the processor may change them. The test shot is what settles it.",
    "Sizes, angles and colours of the wall's emitters that the scene does not give are typical values, from no data sheet.",
    "The wall is flat or an arc of flat facets. Cabinets differ by a fixed brightness, colour and delay of their clock.",
    "The lens is a thin lens with one blur all over the picture: no colour fringes, no flare, no breathing.",
    "The camera's colour matrix is typical, no camera's own. Makers place mid-grey as they like: compare stops, not numbers.",
    "Nothing after development is in it: no compression, no sharpening, no grade. All of these can bring a faint pattern out.",
    "Clean means that nobody will see it as the scene's viewing condition says. A larger picture, a nearer seat or a harder grade shows more.",
    "Distances from the wall's plane and the lens are those of the model. On the set, hold the tape where the scene says.",
];

/// Cautions.
const CAUTIONS: [&str; 5] = [
    "Flicker can trigger seizures in people with photosensitive epilepsy, and it tires everybody else. Warn everybody on set before a wall flashes or is tested, do not loop flickering pictures on a screen, and follow the local rules on flashing light. Whether a wall is safe for people is for the set's safety officer and qualified people to say, not for this report.",
    "A wall at full white is bright enough to dazzle, and sudden white more so. Come up slowly, keep it low while people work, and let nobody look into it for long.",
    "Rigging a wall, its weight, wind and heat, is work for licensed people under local codes. This report says nothing about it.",
    "The mains feed, earthing and load of wall, processors and lamps are work for licensed electricians under local codes. This report says nothing about it.",
    "The report is information, not a certificate.",
];

/// Words and what they mean.
const WORDS: [(&str, &str); 20] = [
    (
        "at worst, as planned",
        "at worst is with the set off its plan by as much as the scene's tolerances allow (tape, zoom ring, tripod head); as planned is with every number exact.",
    ),
    (
        "times what is seen",
        "how strong something is against the least that a person sees as the picture is watched: below 1 it is clean, from 1 it is noticeable, from 2.5 it spoils the shot.",
    ),
    ("can't say", "a number that decides is not known, or the model does not cover it."),
    ("flicker", "most of the picture changes its light from frame to frame."),
    (
        "scan bands",
        "light and dark bars across the picture, standing or rolling: the shutter catches an uneven number of the wall's pulses.",
    ),
    (
        "moiré",
        "coloured or grey waves that are not in the picture on the wall: the wall's pixels against the camera's.",
    ),
    ("pixel structure", "the wall's pixels seen one by one."),
    (
        "refresh",
        "how many times a second the wall lights its picture anew; many times in each of the camera's frames.",
    ),
    (
        "genlock",
        "wall and camera run on one clock, so that bands stand still and pictures are not torn.",
    ),
    ("shutter angle", "the exposure as a part of the frame: 180° is half of it."),
    ("stepping", "steps between neighbouring greys, seen as contours in dark skies and gradients."),
    ("plate", "the picture that the wall shows."),
    (
        "1:1",
        "one pixel of the picture on one pixel of the screen; anything else hides moiré or makes a moiré of its own.",
    ),
    ("photosite", "one light-sensitive cell of the camera's sensor."),
    (
        "readout",
        "the time that the sensor takes from its first row to its last; with a rolling shutter each row is exposed a little later than the one above.",
    ),
    (
        "demosaic",
        "how the picture in full colour is made from photosites that each see red, green or blue.",
    ),
    (
        "picture heights",
        "how far the viewer sits, counted in heights of the picture on the screen.",
    ),
    (
        "low risk, no observable effect",
        "limits for flickering light by IEEE Std 1789-2015, for each frequency.",
    ),
    (
        "percent flicker, flicker index, stroboscopic visibility",
        "how deep a light pulses, 0 to 100; how its light is spread over a pulse, 0 to 1; and how well people notice it on moving things: half of them notice 1.",
    ),
    ("nit (cd/m²), lux (lx)", "how bright a surface looks; how much light falls on one."),
];

/// Writes the end of a page.
pub(super) fn write(page: &mut Page) {
    let points = |all: &[&str]| all.iter().map(|l| (*l).to_owned()).collect::<Vec<_>>();
    page.start("section", "");
    page.leaf("h2", "class=\"chapter\"", "What the model leaves out");
    page.list(&points(&LIMITS));
    page.end();
    page.start("section", "");
    page.leaf("h2", "", "Cautions");
    page.list(&points(&CAUTIONS));
    page.end();
    page.start("section", "");
    page.leaf("h2", "", "Words");
    page.start("dl", "");
    for (word, meaning) in WORDS {
        page.leaf("dt", "", word);
        page.leaf("dd", "", meaning);
    }
    page.end();
    page.end();
}
