//! Broken walls, drives and cameras, each with the exact words that a person gets.

use crate::bad_scenes::{hold, more, wall};

#[test]
fn impossible_walls_and_drives() {
    hold(vec![
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], diffuser: {stand_off_mm: -3}}",
            &["line 1, wall.diffuser.stand_off_mm: -3 is too small; allowed: 0 to 1000 mm"],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], diffuser: {scatter_fwhm_deg: 180}}",
            &["line 1, wall.diffuser.scatter_fwhm_deg: 180 is too large; allowed: 0 to 150 °"],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], diffuser: {transmission_percent: 120}}",
            &["line 1, wall.diffuser.transmission_percent: 120 is too large; allowed: 1 to 100 %"],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], diffuser: {stand_off: 3}}",
            &["line 1, wall.diffuser.stand_off: unknown key (did you mean `stand_off_mm`?)"],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], diffuser: {stand_off_mm: 800, scatter_fwhm_deg: 90}}",
            &[
                "line 1, wall.diffuser: it would spread every emitter by 679.5 mm (one standard deviation), over a wall of 1.04 m × 520 mm (bring it nearer (`stand_off_mm`), or let it scatter less (`scatter_fwhm_deg`))",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6}",
            &[
                "line 1, wall.size_px: missing: how large is the wall? (add `size_px: [across, down]`, or `cabinets` and `cabinet_px`)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, cabinets: [4, 2]}",
            &[
                "line 1, wall.cabinets: cabinets of unknown size (add `cabinet_px: [across, down]`, the pixels of one cabinet)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], cabinets: [4, 2], cabinet_px: [100, 100]}",
            &[
                "line 1, wall.cabinets: given together with `size_px` (keep one of `size_px`, `cabinets`)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], cabinet_px: [96, 96]}",
            &[
                "line 1, wall.size_px: 400 × 200 pixels are not a whole number of cabinets of 96 × 96 (give `cabinets` instead, and the size follows)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [50000, 40000]}",
            &[
                "line 1, wall.size_px: 50000 × 40000 wall pixels are 2000000000; allowed: up to 100000000 (describe only the part of the wall that the camera sees)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [9, 9], emitters: {red: {shape: {disc_mm: 3}}}}",
            &[
                "line 1, wall.emitters.red.shape: an emitter of 3 mm is larger than the pitch of 2.6 mm (make it at most as large as the pitch)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [9, 9], emitters: {blue: {offset_mm: [2, 0]}}}",
            &[
                "line 1, wall.emitters.blue.offset_mm: an offset of 2, 0 mm lies outside the pixel of 2.6 mm (offsets go from minus half to plus half the pitch)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [9, 9], white_xy: [0.7, 0.2]}",
            &[
                "line 1, wall.white_xy: no mixture of the three emitters gives white at x 0.7, y 0.2 (choose a white inside the triangle of the emitter colours)",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [9, 9], emitters: {red: {xy: [0.9, 0.9]}}}",
            &[
                "line 1, wall.emitters.red.xy: no light has the chromaticity x 0.9, y 0.9; allowed: y above 0, and x + y up to 1",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [9, 9], white_xy: [0.3, 0]}",
            &[
                "line 1, wall.white_xy: no light has the chromaticity x 0.3, y 0; allowed: y above 0, and x + y up to 1",
            ],
        ),
        more(
            "drive: {kind: split, refresh_hz: 1000, refresh_lock: none}",
            &[
                "line 4, drive.refresh_hz: 1000 Hz is 41.67 times the video rate of 24 Hz, not a whole number of times (1008 Hz is 42 times; or leave out `refresh_lock: none`)",
            ],
        ),
        more(
            "drive: {kind: {split: {order: bit_reversed}}, refresh_hz: 2400}",
            &[
                "line 4, drive.refresh_hz: bit_reversed needs a power of two of refreshes a video frame, not 100 (3072 Hz gives 128)",
            ],
        ),
        more(
            "drive: {kind: pwm, scan: 16}",
            &[
                "line 4, drive.scan: pwm lights all rows at once; a scan of 16 contradicts that (write `kind: scanned`, or take `scan` out)",
            ],
        ),
        more(
            "drive: {refresh_hz: 12}",
            &[
                "line 4, drive.refresh_hz: 12 Hz is below the video rate of 24 Hz (a wall refreshes at least once a video frame)",
            ],
        ),
        more(
            "drive: {advanced: {dark_per_slot_us: 20}}",
            &[
                "line 4, drive.advanced.dark_per_slot_us: 20 µs of darkness leave no light in a row's turn of 16.28 µs (shorten the dark time, or lower `refresh_hz` or `scan`)",
            ],
        ),
        more(
            "drive: {advanced: {dark_per_refresh_us: 300}}",
            &[
                "line 4, drive.advanced.dark_per_refresh_us: 300 µs of darkness leave no light in a refresh of 260.4 µs (shorten the dark time, or lower `refresh_hz` or `scan`)",
            ],
        ),
        more(
            "drive: {advanced: {dark_per_frame_us: 50000}}",
            &[
                "line 4, drive.advanced.dark_per_frame_us: 50 ms of darkness leave no light in a video frame of 41.67 ms (shorten the dark time, or lower `refresh_hz` or `scan`)",
            ],
        ),
        more(
            "drive: {rise_ns: 200000, fall_ns: 100000}",
            &[
                "line 4, drive.rise_ns: rise and fall take 300 µs together, longer than a refresh of 260.4 µs (shorten them or lower `refresh_hz`)",
            ],
        ),
        more(
            "drive: {video_hz: 24/0}",
            &[
                "line 4, drive.video_hz: '24/0' is not a rate; allowed: 0.1 to 100000 Hz (write a number, or a fraction such as 24000/1001)",
            ],
        ),
        more(
            "content: {image: {file: night.png}}",
            &[
                "line 4, content.image.file: picture 'night.png' is not there (the path counts from the scene file's folder)",
            ],
        ),
        more(
            "content: {image: {map: fit}}",
            &["line 4, content.image.file: missing (add `file:` under `content.image`)"],
        ),
    ]);
}

#[test]
fn impossible_cameras() {
    hold(vec![
        more(
            "camera: {shutter_angle_deg: 180, shutter_speed: 1/50}",
            &[
                "line 4, camera.shutter_speed: given together with `shutter_angle_deg` (keep one of `shutter_angle_deg`, `shutter_speed`, `exposure_ms`)",
            ],
        ),
        more(
            "camera: {shutter_speed: 1/10}",
            &[
                "line 4, camera.shutter_speed: an exposure of 100 ms is longer than the frame period of 41.67 ms at 24 fps (shorten the exposure or lower the frame rate)",
            ],
        ),
        more(
            "camera: {shutter_speed: 50}",
            &[
                "line 4, camera.shutter_speed: 50 is not clear as a shutter speed; allowed: 1/50 or 20 ms (write `shutter_speed: 1/50` if that is meant)",
            ],
        ),
        more(
            "camera: {shutter_speed: fast}",
            &[
                "line 4, camera.shutter_speed: 'fast' is not a shutter speed; allowed: 1/50 or 20 ms",
            ],
        ),
        more(
            "camera: {exposure_ms: 50}",
            &[
                "line 4, camera.exposure_ms: an exposure of 50 ms is longer than the frame period of 41.67 ms at 24 fps (shorten the exposure or lower the frame rate)",
            ],
        ),
        more(
            "camera: {readout: {rolling: {readout_ms: 45}}}",
            &[
                "line 4, camera.readout.rolling.readout_ms: a readout of 45 ms is longer than the frame period of 41.67 ms at 24 fps (shorten the readout or lower the frame rate)",
            ],
        ),
        more(
            "camera: {frame_rate_fps: quick}",
            &[
                "line 4, camera.frame_rate_fps: 'quick' is not a rate; allowed: 0.1 to 100000 fps (write a number, or a fraction such as 24000/1001)",
            ],
        ),
        more(
            "camera: {crop: {x: 3000, width: 1000, height: 100}}",
            &[
                "line 4, camera.crop: the crop ends at column 4000 and row 100; the sensor has 3840 × 2160 photosites (make the crop smaller or move it up and left)",
            ],
        ),
        more(
            "camera: {crop: {width: 100}}",
            &[
                "line 4, camera.crop.height: missing; allowed: a whole number from 1 to 65536 (add `height:` under `camera.crop`)",
            ],
        ),
        more(
            "camera: {photosites: [60000, 60000]}",
            &[
                "line 4, camera.photosites: a frame of 60000 × 60000 photosites would need about 215 GiB of memory; allowed: 16 GiB (record a `crop`)",
            ],
        ),
        more(
            "camera: {sensor_mm: [36, 24]}",
            &[
                "line 4, camera.sensor_mm: 36 × 24 mm for 3840 × 2160 photosites: they would not be square (9.375 µm across, 11.11 µm upright) (give the area that this recording mode reads, or `photosite_pitch_um`)",
            ],
        ),
        more(
            "camera: {sensor_mm: [24, 13.5], photosite_pitch_um: 6}",
            &[
                "line 4, camera.sensor_mm: given together with `photosite_pitch_um` (keep one of `photosite_pitch_um`, `sensor_mm`)",
            ],
        ),
        more(
            "camera: {bits: 8, black_level: 255}",
            &[
                "line 4, camera.black_level: 255 leaves no room for light: 8 bits end at 255 (lower it, or raise `bits`)",
            ],
        ),
        more(
            "camera: {matrix: [[1, 1, 1], [1, 1, 1], [1, 1, 1]]}",
            &[
                "line 4, camera.matrix: with this matrix the camera cannot tell red, green and blue apart (each row is to be largest at its own colour)",
            ],
        ),
        more(
            "filters: {front_low_pass: {}}",
            &["line 4, filters.front_low_pass: a filter without a split (add `split_arcmin`)"],
        ),
        more(
            "filters: {front_low_pass: {split_arcmin: 1, across_arcmin: 1, upright_arcmin: 2}}",
            &[
                "line 4, filters.front_low_pass.split_arcmin: `across_arcmin` and `upright_arcmin` leave nothing for it to say (keep this one, or those two)",
            ],
        ),
        more(
            "filters: {front_low_pass: {split_arcmin: 90}}",
            &[
                "line 4, filters.front_low_pass.split_arcmin: 90 is too large; allowed: 0 to 60 arcmin",
            ],
        ),
        more(
            "filters: {low_pass: {}}",
            &[
                "line 4, filters.low_pass: a filter without a separation (add `separation_um` or `separation_photosites`)",
            ],
        ),
        more(
            "filters: {low_pass: {separation_um: 4, separation_photosites: 1}}",
            &[
                "line 4, filters.low_pass.separation_photosites: given together with `separation_um` (keep one of `separation_um`, `separation_photosites`)",
            ],
        ),
        more(
            "filters: {low_pass: {separation_um: 4, across_um: 3, upright_um: 2}}",
            &[
                "line 4, filters.low_pass.separation_um: `across_um` and `upright_um` leave nothing for it to say (keep this one, or those two)",
            ],
        ),
        more(
            "delivery: {size_px: [60000, 60000]}",
            &[
                "line 4, delivery.size_px: a picture of this size would need about 80 GiB of memory; allowed: 16 GiB (deliver a smaller picture)",
            ],
        ),
        more(
            "delivery: {demosaic: linear}",
            &[
                "line 4, delivery.demosaic: 'linear' is not known; allowed: bilinear, gradient_corrected, edge_aware (did you mean `bilinear`?)",
            ],
        ),
    ]);
}
