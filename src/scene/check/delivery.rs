//! Development and delivery.

use super::Findings;
use crate::develop::Scaling;
use crate::develop::{ColourSpace, Delivery, DeliveryTransfer, Demosaic, ScaleFilter};
use crate::scene::written::{
    ColourSpaceFile, DeliveriesFile, DeliveryFile, DeliveryFormatFile, DeliveryTransferFile,
    DemosaicFile, ScaleFilterFile, ScaleInFile,
};
use crate::scene::{Delivered, DeliveryFormat};

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
