//! Words of the standard that may stay where nobody is to be named: a text that is one of them can say nothing
//! else.

use dicom_core::Tag;
use dicom_dictionary_std::tags;

/// Codes of transducers, cardiac views and parts of the heart with their meanings (PS3.16 CID 12032 to 12035,
/// 12226, and of CID 12236 the parts)
const CODES: [[&str; 3]; 63] = [
    ["125240", "DCM", "Line scan pattern"],
    ["125241", "DCM", "Plane scan pattern"],
    ["125242", "DCM", "Volume scan pattern"],
    ["125251", "DCM", "Non-imaging Doppler ultrasound transducer geometry"],
    ["125252", "DCM", "Linear ultrasound transducer geometry"],
    ["125253", "DCM", "Curved linear ultrasound transducer geometry"],
    ["125254", "DCM", "Sector ultrasound transducer geometry"],
    ["125255", "DCM", "Radial ultrasound transducer geometry"],
    ["125256", "DCM", "Ring ultrasound transducer geometry"],
    ["130808", "DCM", "Planar matrix ultrasound transducer geometry"],
    ["130809", "DCM", "Hemispherical ultrasound transducer geometry"],
    ["125257", "DCM", "Fixed beam direction"],
    ["125258", "DCM", "Mechanical beam steering"],
    ["125259", "DCM", "Phased beam steering"],
    ["125261", "DCM", "External Transducer"],
    ["125262", "DCM", "Transesophageal Transducer"],
    ["125263", "DCM", "Endovaginal Transducer"],
    ["125264", "DCM", "Endorectal Transducer"],
    ["125265", "DCM", "Intravascular Transducer"],
    ["125266", "DCM", "Endocavitary Transducer"],
    ["125267", "DCM", "Intraoperative Transducer"],
    ["130681", "DCM", "Apical four chamber RV Focused"],
    ["130682", "DCM", "Apical four chamber RV Modified"],
    ["13418002", "SCT", "Left ventricle outflow tract"],
    ["15825003", "SCT", "Aorta"],
    ["261665006", "SCT", "Unknown"],
    ["34202007", "SCT", "Aortic Valve"],
    ["39057004", "SCT", "Pulmonic Valve"],
    ["398998003", "SCT", "Right Ventricular Inflow Tract View"],
    ["399036006", "SCT", "Parasternal short axis at the Mitral Valve level"],
    ["399106004", "SCT", "Suprasternal long axis"],
    ["399139001", "SCT", "Parasternal long axis"],
    ["399145009", "SCT", "Suprasternal short axis"],
    ["399195005", "SCT", "Right Ventricular Outflow Tract View"],
    ["399200001", "SCT", "Subcostal short axis"],
    ["399214001", "SCT", "Apical four chamber"],
    ["399232001", "SCT", "Apical two chamber"],
    ["399239005", "SCT", "Parasternal short axis at the aortic valve level"],
    ["399271003", "SCT", "Parasternal short axis at the Papillary Muscle level"],
    ["399306005", "SCT", "Parasternal short axis"],
    ["399310008", "SCT", "Subcostal long axis"],
    ["399339008", "SCT", "Apical long axis"],
    ["399371001", "SCT", "Parasternal short axis at the level of the mitral chords"],
    ["443082005", "SCT", "Parasternal long axis view of the RV inflow tract"],
    ["443083000", "SCT", "Parasternal long axis view of the RV outflow tract"],
    ["443100003", "SCT", "Subcostal view of cardiac outlets directed anteriorly"],
    ["443160001", "SCT", "Subcostal short axis view at papillary muscle level"],
    ["443162009", "SCT", "Suprasternal coronal view"],
    ["443163004", "SCT", "Suprasternal sagittal view"],
    ["443499004", "SCT", "Subcostal short axis view at mitral valve level"],
    ["443500008", "SCT", "Subcostal short axis view at venous inflow level"],
    ["443562002", "SCT", "Suprasternal long axis view of aortic arch"],
    ["443609003", "SCT", "Subcostal short axis view at aortic valve level"],
    ["443640005", "SCT", "Subcostal oblique coronal view"],
    ["443698002", "SCT", "Transesophageal short axis view"],
    ["44627009", "SCT", "Right ventricle outflow tract"],
    ["46030003", "SCT", "Tricuspid valve"],
    ["53085002", "SCT", "Right ventricle"],
    ["73829009", "SCT", "Right atrium"],
    ["80891009", "SCT", "Heart"],
    ["82471001", "SCT", "Left atrium"],
    ["87878005", "SCT", "Left ventricle"],
    ["91134007", "SCT", "Mitral Valve"],
];

/// What a code means; `None` for one that is not listed
pub(super) fn meaning(value: &str, scheme: &str) -> Option<&'static str> {
    CODES.iter().find(|[code, of, _]| [*code, *of] == [value, scheme]).map(|[.., meaning]| *meaning)
}

/// Whether a text is one of the terms that the standard defines for an attribute (PS3.3 C.8.24.3, C.8.5.6)
pub(super) fn is_defined(tag: Tag, text: &str) -> bool {
    let terms: &[&str] = match tag {
        tags::POSITION_MEASURING_DEVICE_USED => &["RIGID", "FREEHAND"],
        tags::TRANSDUCER_TYPE => &[
            "SECTOR_PHASED",
            "SECTOR_MECH",
            "SECTOR_ANNULAR",
            "LINEAR",
            "CURVED LINEAR",
            "SINGLE CRYSTAL",
            "SPLIT XTAL CWD",
            "IV_PHASED",
            "IV_ROT XTAL",
            "IV_ROT MIRROR",
            "ENDOCAV_PA",
            "ENDOCAV_MECH",
            "ENDOCAV_CLA",
            "ENDOCAV_AA",
            "ENDOCAV_LINEAR",
            "VECTOR_PHASED",
        ],
        _ => &[],
    };
    terms.contains(&text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_of_the_standard_is_known_and_no_other() {
        assert_eq!(meaning("80891009", "SCT"), Some("Heart"));
        assert_eq!(meaning("125262", "DCM"), Some("Transesophageal Transducer"));
        for [value, scheme] in [["80891009", "99X"], ["MRN-7", "SCT"], ["", ""]] {
            assert_eq!(meaning(value, scheme), None);
        }
        assert!(is_defined(tags::TRANSDUCER_TYPE, "VECTOR_PHASED"));
        assert!(!is_defined(tags::TRANSDUCER_TYPE, "DOE JANE") && !is_defined(tags::PATIENT_ID, "RIGID"));
        let mut codes: Vec<_> = CODES.iter().map(|[value, scheme, _]| [value, scheme]).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), CODES.len());
    }
}
