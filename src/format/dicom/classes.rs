//! Names of object classes and attributes, for messages.

use dicom_core::Tag;
use dicom_core::dictionary::{DataDictionary as _, DataDictionaryEntry as _};
use dicom_dictionary_std::{StandardDataDictionary, uids};

/// The name of an object class a reader is likely to meet (PS3.4 table B.5-1)
pub(super) fn name(uid: &str) -> Option<&'static str> {
    Some(match uid {
        uids::ENHANCED_US_VOLUME_STORAGE => "Enhanced US Volume",
        uids::ULTRASOUND_IMAGE_STORAGE => "Ultrasound Image",
        uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE => "Ultrasound Multi-frame Image",
        uids::CT_IMAGE_STORAGE => "CT Image",
        uids::ENHANCED_CT_IMAGE_STORAGE => "Enhanced CT Image",
        uids::MR_IMAGE_STORAGE => "MR Image",
        uids::ENHANCED_MR_IMAGE_STORAGE => "Enhanced MR Image",
        uids::SECONDARY_CAPTURE_IMAGE_STORAGE => "Secondary Capture Image",
        uids::SEGMENTATION_STORAGE => "Segmentation",
        uids::BASIC_TEXT_SR_STORAGE => "Basic Text SR",
        uids::ENHANCED_SR_STORAGE => "Enhanced SR",
        uids::COMPREHENSIVE_SR_STORAGE => "Comprehensive SR",
        uids::COMPREHENSIVE3_DSR_STORAGE => "Comprehensive 3D SR",
        uids::RAW_DATA_STORAGE => "Raw Data",
        uids::ENCAPSULATED_PDF_STORAGE => "Encapsulated PDF",
        uids::MEDIA_STORAGE_DIRECTORY_STORAGE => "Media Storage Directory",
        _ => return None,
    })
}

/// The keyword of an attribute, or its number where the dictionary has none
pub(super) fn attribute(tag: Tag) -> String {
    StandardDataDictionary.by_tag(tag).map_or_else(|| tag.to_string(), |entry| entry.alias().to_owned())
}
