//! Development and delivery, as written.

use super::schema;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What is delivered: one picture, or several that are developed from the same raw frame. Written as one group of keys
/// or as a list of such.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DeliveriesFile(pub Vec<DeliveryFile>);

impl Default for DeliveriesFile {
    fn default() -> Self {
        Self(vec![DeliveryFile::default()])
    }
}

/// The delivered picture.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DeliveryFile {
    /// A short name, such as recording or monitor: part of its files' names.
    #[schemars(extend("x-default" = "none; must be given in a list of several"))]
    pub name: Option<String>,
    /// The one format that it is written in.
    #[schemars(extend("x-default" = "PNG with 8 and 16 bits, or what the command line asks for"))]
    pub format: Option<DeliveryFormatFile>,
    /// How missing colours are filled in.
    pub demosaic: DemosaicFile,
    /// Colour space.
    pub colour_space: ColourSpaceFile,
    /// Transfer curve.
    pub transfer: DeliveryTransferFile,
    /// Pixels across and down.
    #[schemars(inner(range(min = 1, max = 65_536)), extend("x-default" = "as recorded"))]
    pub size_px: Option<[u32; 2]>,
    /// Take an anamorphic lens's squeeze out, where `size_px` is not given: the picture is as much wider.
    #[schemars(schema_with = "schema::switch")]
    pub desqueeze: bool,
    /// Filter for scaling to `size_px`.
    pub filter: ScaleFilterFile,
    /// Whether scaling adds light or code values.
    pub scale_in: ScaleInFile,
    /// Brighter (positive) or darker in development.
    #[schemars(range(min = -10.0, max = 10.0))]
    pub push_stops: f64,
}

impl Default for DeliveryFile {
    fn default() -> Self {
        Self {
            name: None,
            format: None,
            demosaic: DemosaicFile::GradientCorrected,
            colour_space: ColourSpaceFile::Bt709,
            transfer: DeliveryTransferFile::Srgb,
            size_px: None,
            desqueeze: true,
            filter: ScaleFilterFile::Cubic,
            scale_in: ScaleInFile::LinearLight,
            push_stops: 0.0,
        }
    }
}

/// Demosaic method.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DemosaicFile {
    /// Mean of the neighbours.
    Bilinear,
    /// Linear, corrected by the gradients of the other colours.
    GradientCorrected,
    /// Follows edges.
    EdgeAware,
}

/// Colour space of the delivered picture.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ColourSpaceFile {
    /// ITU-R BT.709.
    Bt709,
    /// ITU-R BT.2020.
    Bt2020,
    /// P3 with the white point D65.
    P3D65,
    /// ACES AP0, wide enough for every colour; meant for linear OpenEXR.
    AcesAp0,
    /// ACES AP1, wide; the primaries that `acescct` is meant for.
    AcesAp1,
    /// The camera's own colours, white-balanced.
    CameraRgb,
}

/// Transfer curve of the delivered picture.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DeliveryTransferFile {
    /// Linear light.
    Linear,
    /// sRGB.
    Srgb,
    /// ITU-R BT.709.
    Bt709,
    /// Hybrid log-gamma of ITU-R BT.2100, meant for `bt2020`.
    HybridLogGamma,
    /// ACEScct of Academy S-2016-001, a log curve: holds light up to 7.8 stops above the highest raw level.
    #[serde(rename = "acescct")]
    AcesCct,
}

/// Scaling filter.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ScaleFilterFile {
    /// Mean over the output pixel.
    Box,
    /// Triangle.
    Bilinear,
    /// Catmull–Rom cubic.
    Cubic,
    /// Windowed sinc with three lobes.
    Lanczos3,
}

/// What scaling works on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ScaleInFile {
    /// Linear light.
    LinearLight,
    /// Display code values.
    CodeValues,
}

/// Format of a delivered picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DeliveryFormatFile {
    /// PNG with 8 bits.
    #[serde(rename = "png_8bit")]
    Png8,
    /// PNG with 16 bits.
    #[serde(rename = "png_16bit")]
    Png16,
    /// TIFF with 16 bits.
    #[serde(rename = "tiff_16bit")]
    Tiff16,
    /// OpenEXR in linear light, whatever the transfer curve; not clipped.
    ExrLinear,
}
