//! Raw mosaic → picture: black level, white balance, demosaic, colour, scaling, transfer curve.
//!
//! [`develop`] is the whole way, [`linear_planes`] the short one that measuring stands on:
//!
//! 1. level − black, over white − black: 1.0 is the raw white level ([`Samples`]);
//! 2. white balance on the mosaic, clipped at 1.0 so that a full photosite stays white ([`ColourTransform`]);
//! 3. demosaic ([`Demosaic`]), or nothing for full planes and monochrome;
//! 4. matrix to the delivery space, push;
//! 5. scaling in the camera, if it does any;
//! 6. scaling and transfer curve, in the order the delivery asks for.
//!
//! Every step works on rows, in parallel over disjoint bands of rows: the bits do not depend on the
//! number of threads.
//!
//! ```
//! use gridbeat::develop::{self, Layout, Samples};
//! use gridbeat::frame::{RawFrame, Window};
//! // A crop whose corner lies on a blue photosite of the sensor; only green sees light.
//! let window = Window { x: 1, y: 1, width: 4, height: 4 };
//! let levels = (0..16).map(|i| if (i % 4 + i / 4) % 2 == 1 { 1000 } else { 200 }).collect();
//! let raw = RawFrame { window, planes: vec![levels] };
//! let samples = Samples::from_raw(&raw, 200, 1000)?;
//! let picture = develop::linear_planes(&samples, Layout::Bayer([0, 1, 1, 2]))?;
//! assert!(picture.planes[1].data.iter().all(|v| (v - 1.0).abs() < 1e-6));
//! assert!(picture.planes[0].data.iter().all(|v| *v == 0.0));
//! # Ok::<(), develop::DevelopError>(())
//! ```

mod colour;
mod curve;
mod demosaic;
mod deviation;
mod difference;
mod label;
mod pipeline;
mod preview;
mod response;
mod samples;
mod scale;
mod undone;

pub use colour::{ColourTransform, NoTransform};
pub use deviation::{deviation_picture, scale_end};
pub use difference::{Difference, Largest, PlaneDifference, difference, shown as shown_difference};
pub use pipeline::{DevelopError, develop, develop_to_measure, linear_planes};
pub use preview::{overview, preview_crop};
pub use response::{Site, grey_response, kernel};
pub use samples::{Layout, Samples};
pub use scale::{Taps, filter_transform, scale, taps};
pub use undone::{mix, to_bt709, to_linear};

/// How missing colours are filled in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Demosaic {
    /// Bilinear.
    Bilinear,
    /// Gradient-corrected linear (Malvar, He, Cutler 2004).
    GradientCorrected,
    /// Directed by edges.
    EdgeAware,
}

/// Colour space of the delivered picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ColourSpace {
    /// ITU-R BT.709 primaries, D65.
    Bt709,
    /// ITU-R BT.2020 primaries, D65.
    Bt2020,
    /// P3 primaries, D65.
    P3D65,
    /// ACES AP0 primaries and white (SMPTE ST 2065-1).
    AcesAp0,
    /// ACES AP1 primaries, ACES white.
    AcesAp1,
    /// The camera's own red, green and blue, white-balanced.
    CameraRgb,
}

/// Transfer curve of the delivered picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DeliveryTransfer {
    /// Linear light.
    Linear,
    /// sRGB (IEC 61966-2-1).
    Srgb,
    /// ITU-R BT.709 camera curve.
    Bt709,
    /// Hybrid log-gamma (ITU-R BT.2100).
    HybridLogGamma,
    /// ACEScct, a logarithm with a straight toe (Academy S-2016-001).
    AcesCct,
}

/// Filter used when the picture is scaled to the delivery size.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ScaleFilter {
    /// Box of the size of the output pixel.
    Box,
    /// Triangle.
    Bilinear,
    /// Cubic (Catmull–Rom).
    Cubic,
    /// Windowed sinc, three lobes.
    Lanczos3,
}

/// Scaling of the recording, in linear light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Scaling {
    /// Columns and rows that it makes.
    pub size: (u32, u32),
    /// Its filter.
    pub filter: ScaleFilter,
}

/// Development and delivery.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivery {
    /// Demosaic method.
    pub demosaic: Demosaic,
    /// Colour space.
    pub colour_space: ColourSpace,
    /// Transfer curve.
    pub transfer: DeliveryTransfer,
    /// Delivered columns and rows; `None` keeps the recorded size.
    pub size: Option<(u32, u32)>,
    /// Scaling filter.
    pub filter: ScaleFilter,
    /// Scale in linear light (else after the transfer curve).
    pub scale_in_linear_light: bool,
    /// Exposure push applied in development, stops.
    pub push_stops: f64,
    /// Scaling in the camera, before the delivery's.
    pub in_camera: Option<Scaling>,
}
