//! The codes of the report, each looked up in the tables of PS3.16 (as pydicom 3.0.2 carries them).
//!
//! No code of the standard says "vena contracta area". It is put together: an area (SNOMED CT),
//! found at the vena contracta, by planimetry. The code for an effective orifice by flow
//! convergence is not used for it, since that names another method. What the standard cannot say
//! at all (which cut, corrected for blooming or as displayed, shape, course) has codes of our own,
//! under the designator `99NARROWS`, always as modifier or finding and never as the measurement.

use crate::format::dicom::set::{self, Set};
use crate::measure::results::{Origin, Pattern, ShapeClass, Verdict};

/// A coded concept: value, scheme, meaning
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Code(pub(super) &'static str, pub(super) &'static str, pub(super) &'static str);

impl Code {
    pub(super) fn set(self) -> Set {
        set::code(self.0, self.1, self.2)
    }
}

/// The scheme of our own codes
pub(super) const OWN: &str = "99NARROWS";

macro_rules! codes {
    ($($name:ident = $value:literal, $scheme:expr, $meaning:literal;)*) => {
        $(pub(super) const $name: Code = Code($value, $scheme, $meaning);)*
    };
}

codes! {
    // Frame of the report: TID 1500, 1001 to 1004, 1204, 1600.
    MEASUREMENT_REPORT = "126000", "DCM", "Imaging Measurement Report";
    LANGUAGE = "121049", "DCM", "Language of Content Item and Descendants";
    ENGLISH = "en", "RFC5646", "English";
    OBSERVER_TYPE = "121005", "DCM", "Observer Type";
    PERSON = "121006", "DCM", "Person";
    PERSON_NAME = "121008", "DCM", "Person Observer Name";
    DEVICE = "121007", "DCM", "Device";
    DEVICE_UID = "121012", "DCM", "Device Observer UID";
    DEVICE_NAME = "121013", "DCM", "Device Observer Name";
    DEVICE_MODEL = "121015", "DCM", "Device Observer Model Name";
    PROCEDURE_REPORTED = "121058", "DCM", "Procedure Reported";
    ECHOCARDIOGRAPHY = "40701008", "SCT", "Echocardiography";
    IMAGE_LIBRARY = "111028", "DCM", "Image Library";
    IMAGE_LIBRARY_GROUP = "126200", "DCM", "Image Library Group";
    SOURCE = "260753009", "SCT", "Source";
    IMAGING_MEASUREMENTS = "126010", "DCM", "Imaging Measurements";
    // A group: TID 1410 and 1501.
    MEASUREMENT_GROUP = "125007", "DCM", "Measurement Group";
    TRACKING_ID = "112039", "DCM", "Tracking Identifier";
    TRACKING_UID = "112040", "DCM", "Tracking Unique Identifier";
    FINDING = "121071", "DCM", "Finding";
    REGURGITATION = "10337008", "SCT", "Regurgitation";
    MITRAL_REGURGITATION = "48724000", "SCT", "Mitral regurgitation";
    AORTIC_REGURGITATION = "60234000", "SCT", "Aortic regurgitation";
    TRICUSPID_REGURGITATION = "111287006", "SCT", "Tricuspid regurgitation";
    FINDING_SITE = "363698007", "SCT", "Finding Site";
    VENA_CONTRACTA = "443501007", "SCT", "Vena contracta";
    IMAGE_REGION = "111030", "DCM", "Image Region";
    COMMENT = "121106", "DCM", "Comment";
    // Measurements: CID 7469 and 12304.
    AREA = "42798000", "SCT", "Area";
    PERIMETER = "131191004", "SCT", "Perimeter";
    VOLUME = "118565006", "SCT", "Volume";
    VC_WIDTH = "125334", "DCM", "Vena Contracta Width";
    VC_WIDTH_MITRAL = "80061-5", "LN", "Mitral regurgitation vena contracta width";
    VC_WIDTH_AORTIC = "79948-6", "LN", "Aortic regurgitation vena contracta width";
    VC_WIDTH_TRICUSPID = "79933-8", "LN", "Tricuspid regurgitation vena contracta width";
    EROA = "125326", "DCM", "Effective Orifice Area";
    EROA_MITRAL = "80071-4", "LN", "Mitral valve effective regurgitant orifice area (PISA)";
    EROA_AORTIC = "79960-1", "LN", "Aortic valve effective regurgitant orifice area";
    FLOW_MITRAL = "80057-3", "LN", "Mitral regurgitant flow (PISA)";
    FLOW_AORTIC = "79941-1", "LN", "Aortic regurgitant flow";
    DOPPLER_ANGLE = "125106", "DCM", "Doppler Angle";
    UPPER = "371886008", "SCT", "+, range of upper measurement uncertainty";
    LOWER = "371885007", "SCT", "-, range of lower measurement uncertainty";
    // Modifiers.
    METHOD = "370129005", "SCT", "Measurement Method";
    PLANIMETRY = "125220", "DCM", "Planimetry";
    ISOVELOCITY = "125216", "DCM", "Proximal Isovelocity Surface Area";
    DOPPLER_VOLUME_FLOW = "125219", "DCM", "Doppler Volume Flow";
    DERIVATION = "121401", "DCM", "Derivation";
    FLOW_DIRECTION = "260674002", "SCT", "Direction of flow";
    RETROGRADE = "312004007", "SCT", "Retrograde";
    IMAGE_VIEW = "111031", "DCM", "Image View";
    // Units.
    SQUARE_MM = "mm2", "UCUM", "square millimeter";
    MM = "mm", "UCUM", "millimeter";
    ML = "ml", "UCUM", "milliliter";
    ML_PER_S = "ml/s", "UCUM", "milliliter per second";
    DEGREE = "deg", "UCUM", "degree";
    // Our own.
    CORRECTED = "corrected", OWN, "Corrected for blooming";
    DISPLAYED = "displayed", OWN, "As displayed, not corrected";
    SYSTOLIC_MEAN = "systolic-mean", OWN, "Mean over systole, zero where absent";
    SUM_OF_JETS = "sum-of-jets", OWN, "Sum of all jets at one moment";
    LONG_AXIS = "long-axis", OWN, "Long-axis cut through the jet";
    COMMISSURAL = "commissural", OWN, "Commissural cut through the jet";
    SHAPE = "shape", OWN, "Shape of the vena contracta";
    OUTLINE = "outline", OWN, "Who drew the outline";
    COURSE = "course", OWN, "Course of the regurgitation through systole";
    TRUST = "trust", OWN, "Trust check of the acquisition";
}

pub(super) fn shape(class: ShapeClass) -> Code {
    match class {
        ShapeClass::Round => Code("round", OWN, "Round"),
        ShapeClass::Elliptical => Code("elliptical", OWN, "Elliptical"),
        ShapeClass::Crescent => Code("crescent", OWN, "Crescent"),
        ShapeClass::Irregular => Code("irregular", OWN, "Irregular"),
    }
}

pub(super) fn outline(origin: Origin) -> Code {
    match origin {
        Origin::Program => Code("program", OWN, "The program, unchanged by a reader"),
        Origin::ReaderCut => Code("reader-cut", OWN, "The program, on the reader's cut"),
        Origin::ReaderKept => Code("reader-kept", OWN, "The program, kept by the reader"),
        Origin::ReaderCorrected => Code("reader-corrected", OWN, "The program, corrected by the reader"),
        Origin::ReaderDrawn => Code("reader-drawn", OWN, "The reader, by hand"),
    }
}

pub(super) fn course(pattern: Pattern) -> Code {
    match pattern {
        Pattern::Holosystolic => Code("holosystolic", OWN, "Holosystolic"),
        Pattern::Early => Code("early", OWN, "Early systolic"),
        Pattern::Mid => Code("mid", OWN, "Mid-systolic"),
        Pattern::Late => Code("late", OWN, "Late systolic"),
        Pattern::Biphasic => Code("biphasic", OWN, "Biphasic"),
        Pattern::Unknown => Code("undecided", OWN, "Undecided"),
    }
}

pub(super) fn trust(verdict: Verdict) -> Code {
    match verdict {
        Verdict::Adequate => Code("adequate", OWN, "Adequate"),
        Verdict::Limited => Code("limited", OWN, "Limited"),
        Verdict::Unfit => Code("unfit", OWN, "Unfit for this measurement"),
    }
}
