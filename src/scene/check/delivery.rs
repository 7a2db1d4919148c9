//! Development and delivery.

use super::Findings;
use crate::develop::Scaling;
use crate::develop::{ColourSpace, Delivery, DeliveryTransfer, Demosaic, ScaleFilter};
use crate::optics::Lens;
use crate::scene::written::{
    ColourSpaceFile, DeliveriesFile, DeliveryFile, DeliveryFormatFile, DeliveryTransferFile,
    DemosaicFile, ScaleFilterFile, ScaleInFile,
};
use crate::scene::{Delivered, DeliveryFormat};
use crate::sensor::Camera;
use crate::units;

/// Longest name of a delivery, letters.
const LONGEST_NAME: usize = 32;

/// The deliveries, of what the camera scales as `in_camera` says.
pub(super) fn deliveries(
    found: &mut Findings<'_>,
    file: &DeliveriesFile,
    in_camera: Option<Scaling>,
) -> Vec<Delivered> {
    let mut all: Vec<Delivered> = Vec::new();
    for (i, file) in file.0.iter().enumerate() {
        let group = key(found, i);
        let name_key = format!("{group}.name");
        match &file.name {
            None if all.is_empty() && !found.given("delivery[2]") => {}
            None => found.refuse(
                &name_key,
                &["delivery"],
                "missing: in a list of several each has a name, for its files".into(),
                "add `name:`, such as monitor",
            ),
            Some(name) => {
                let fits = |c: char| c.is_alphanumeric() || "-_".contains(c);
                if name.is_empty() || name.chars().count() > LONGEST_NAME || !name.chars().all(fits)
                {
                    found.refuse(
                        &name_key,
                        &[],
                        format!(
                            "'{name}' cannot be part of a file's name; allowed: up to {LONGEST_NAME} letters, digits, \
                             - and _"
                        ),
                        "",
                    );
                }
                // Some disks do not tell capitals apart.
                let same = |d: &Delivered| {
                    d.name.as_ref().is_some_and(|other| other.to_lowercase() == name.to_lowercase())
                };
                if all.iter().any(same) {
                    found.refuse(
                        &name_key,
                        &[],
                        format!("'{name}' names another delivery already"),
                        "choose another name",
                    );
                }
            }
        }
        all.push(Delivered {
            name: file.name.clone(),
            format: file.format.map(|format| match format {
                DeliveryFormatFile::Png8 => DeliveryFormat::Png8,
                DeliveryFormatFile::Png16 => DeliveryFormat::Png16,
                DeliveryFormatFile::Tiff16 => DeliveryFormat::Tiff16,
                DeliveryFormatFile::ExrLinear => DeliveryFormat::ExrLinear,
            }),
            delivery: Delivery { in_camera, ..delivery(file) },
        });
    }
    all
}

/// Takes an anamorphic lens's squeeze out of the deliveries that name no size of their own.
pub(super) fn desqueeze(
    found: &mut Findings<'_>,
    deliveries: &mut [Delivered],
    file: &DeliveriesFile,
    camera: &Camera,
    lens: &Lens,
) {
    /// A picture is the shape of what the lens sees, but for so much.
    const SAME: f64 = 0.02;
    if lens.squeeze == 1.0 {
        return;
    }
    let recorded = (camera.crop.width, camera.crop.height);
    let [across, down] = camera.spacing().map(f64::from);
    let shape = lens.squeeze * across * f64::from(recorded.0) / (down * f64::from(recorded.1));
    for (i, (delivered, file)) in deliveries.iter_mut().zip(&file.0).enumerate() {
        let delivery = &mut delivered.delivery;
        let (width, height) = delivery.in_camera.map_or(recorded, |scaling| scaling.size);
        match delivery.size {
            None if file.desqueeze => {
                let wide = (f64::from(width) * lens.squeeze + 0.5).floor().min(65_536.0);
                delivery.size = Some((wide as u32, height));
            }
            Some((w, h)) if (f64::from(w) / f64::from(h) / shape - 1.0).abs() > SAME => {
                let message = format!(
                    "{w} × {h} px are not the shape of what the lens sees, {} wide to 1 high: the picture will be \
                     stretched",
                    units::number((shape * 1000.0).round() / 1000.0)
                );
                let key = format!("{}.size_px", key(found, i));
                found.note(
                    &key,
                    message,
                    "leave it out, and the squeeze is taken out of the recording",
                );
            }
            _ => {}
        }
    }
}

/// The path of a delivery's group: with a number where it stands in a list.
pub(super) fn key(found: &Findings<'_>, index: usize) -> String {
    let numbered = format!("delivery[{}]", index + 1);
    if found.given(&numbered) { numbered } else { "delivery".into() }
}

fn delivery(file: &DeliveryFile) -> Delivery {
    Delivery {
        demosaic: match file.demosaic {
            DemosaicFile::Bilinear => Demosaic::Bilinear,
            DemosaicFile::GradientCorrected => Demosaic::GradientCorrected,
            DemosaicFile::EdgeAware => Demosaic::EdgeAware,
        },
        colour_space: match file.colour_space {
            ColourSpaceFile::Bt709 => ColourSpace::Bt709,
            ColourSpaceFile::Bt2020 => ColourSpace::Bt2020,
            ColourSpaceFile::P3D65 => ColourSpace::P3D65,
            ColourSpaceFile::AcesAp0 => ColourSpace::AcesAp0,
            ColourSpaceFile::AcesAp1 => ColourSpace::AcesAp1,
            ColourSpaceFile::CameraRgb => ColourSpace::CameraRgb,
        },
        transfer: match file.transfer {
            DeliveryTransferFile::Linear => DeliveryTransfer::Linear,
            DeliveryTransferFile::Srgb => DeliveryTransfer::Srgb,
            DeliveryTransferFile::Bt709 => DeliveryTransfer::Bt709,
            DeliveryTransferFile::HybridLogGamma => DeliveryTransfer::HybridLogGamma,
            DeliveryTransferFile::AcesCct => DeliveryTransfer::AcesCct,
        },
        size: file.size_px.map(|[w, h]| (w, h)),
        filter: scale_filter(file.filter),
        scale_in_linear_light: file.scale_in == ScaleInFile::LinearLight,
        push_stops: file.push_stops,
        in_camera: None,
    }
}

/// The filter of a scaling.
pub(super) fn scale_filter(file: ScaleFilterFile) -> ScaleFilter {
    match file {
        ScaleFilterFile::Box => ScaleFilter::Box,
        ScaleFilterFile::Bilinear => ScaleFilter::Bilinear,
        ScaleFilterFile::Cubic => ScaleFilter::Cubic,
        ScaleFilterFile::Lanczos3 => ScaleFilter::Lanczos3,
    }
}
