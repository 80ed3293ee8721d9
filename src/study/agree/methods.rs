//! The methods paragraphs that go with an analysis: what was done, by which formula, after whom.

use super::{AgreeOptions, Agreement};

/// Paragraphs for the parts that the document has
pub(super) fn paragraphs(document: &Agreement, options: &AgreeOptions) -> Vec<String> {
    let mut out = vec![design(document)];
    out.extend(reliability(document));
    if !document.pairs.is_empty() || !document.repeats.is_empty() {
        out.push(differences(document.design.standing == "mean"));
    }
    if document.pairs.iter().any(|pair| pair.ratio.is_some()) {
        out.push(
            "Ratios of two readings are summarised by the same limits of their logarithms, taken back (Bland and \
             Altman, Stat Methods Med Res 1999;8:135-60)."
                .to_owned(),
        );
    }
    if !document.clusters.is_empty() {
        out.push(
            "Where a patient has several volumes, limits of agreement rest on the variances of the differences between \
             and within patients, from a one-way analysis of variance (Bland and Altman, J Biopharm Stat \
             2007;17:571-82)."
                .to_owned(),
        );
    }
    out.extend(reference(document));
    if let Some(plan) = &document.plan {
        out.push(format!(
            "With a standard deviation of the differences of {:.3}, {} volumes of as many patients give the limits of \
             agreement a 95 % interval of ± {} (standard error of a limit after Bland and Altman 1986).",
            plan.standard_deviation, plan.volumes, plan.half_width
        ));
    }
    if !document.within.is_empty() {
        out.push(
            "Scatter within readers is the within-volume standard deviation of a one-way analysis of \
             variance, its interval from the chi-squared distribution; the repeatability coefficient is \
             1.96 times the square root of 2 times it (Bland and Altman, Lancet 1986;i:307-10)."
                .to_owned(),
        );
    }
    out.extend(grades(document, options));
    out.extend(guidelines(document));
    out
}

fn design(document: &Agreement) -> String {
    let design = &document.design;
    format!(
        "{} volumes were read by {} with up to {} each. {} Missing readings were not filled in: every \
         statistic uses the volumes that have what it needs, and those left out are listed. Intervals are \
         95 %. Computed with narrows {}.",
        design.volumes,
        count(design.readers.len(), "reader", "readers"),
        count(design.repeats.len(), "reading", "readings"),
        match (design.repeats.len() > 1, design.standing == "mean") {
            (false, _) => String::new(),
            (true, true) => "Between readers each reader stands by the mean of the repeats.".to_owned(),
            (true, false) => format!(
                "Between readers each reader stands by the repeat {}.",
                design.repeats.first().map_or("", String::as_str)
            ),
        },
        document.tool.version
    )
}

fn reliability(document: &Agreement) -> Option<String> {
    let found = document.reliability.as_ref()?;
    Some(format!(
        "Reliability between readers is the intraclass correlation from the analysis of variance of {} \
         volumes by {} readers, in the six forms of Shrout and Fleiss (Psychol Bull 1979;86:420-8): \
         (1) each volume read by readers of its own, (2) readers as a random sample, absolute agreement, \
         (3) these readers only, consistency; each for one reading and for the mean of {}. Intervals \
         come from the F distribution (McGraw and Wong, Psychol Methods 1996;1:30-46), for form 2 with \
         degrees of freedom after Satterthwaite. The standard error of a reading is the square root of \
         the residual variance plus the variance of the readers' offsets; the reproducibility \
         coefficient is 1.96 times the square root of 2 times it.",
        found.volumes, found.readers, found.readers
    ))
}

/// Bias and limits; of means of repeats, or of single readings
fn differences(mean: bool) -> String {
    let intervals = if mean {
        "; since repeats were averaged, the standard deviation was widened to that of single readings, \
         and the interval of a limit follows from the variances of its parts (Bland and Altman, Stat \
         Methods Med Res 1999;8:135-60)."
    } else {
        ". The approximate interval of a limit takes its standard error as the square root of three \
         times the variance over the number of volumes; the exact one comes from the noncentral t \
         distribution (Carkeet, Optom Vis Sci 2015;92:e71-80)."
    };
    format!(
        "The difference of two readings is summarised by its mean (bias) and the limits of \
         agreement, bias plus and minus 1.96 standard deviations (Bland and Altman, Lancet \
         1986;i:307-10){intervals} The regression of the difference on the mean shows whether the bias \
         changes with size. Percent error is the absolute difference over the mean of the two, and the \
         coefficient of variation of one reading the root mean square of the difference over the mean, \
         divided by the square root of 2 (common practice, no source)."
    )
}

fn reference(document: &Agreement) -> Option<String> {
    let one = document.references.first()?;
    Some(format!(
        "Agreement with the reference {} is Deming's line with a variance ratio of 1, its intervals by the jackknife \
         (Linnet, Clin Chem 1990;36:1478-82){}.",
        one.reference,
        one.roc.map_or_else(String::new, |roc| format!(
            "; with the reference called severe from {} on, the area under the ROC curve with the interval of DeLong and \
             others (Biometrics 1988;44:837-45), and the cut of the largest sensitivity plus specificity, found \
             on these data and not validated",
            roc.threshold
        ))
    ))
}

fn grades(document: &Agreement, options: &AgreeOptions) -> Option<String> {
    let found = document.grades.as_ref()?;
    let weighted = if found.ordered && found.names.len() > 2 {
        ", unweighted and with linear and quadratic weights (Cohen, Psychol Bull 1968;70:213-20)"
    } else {
        ""
    };
    let all = if found.all.is_some() {
        format!(
            "; of all readers Fleiss's kappa (Psychol Bull 1971;76:378-82), its interval by {} bootstrap \
             resamples of volumes (percentiles; seed {})",
            options.resamples, options.seed
        )
    } else {
        String::new()
    };
    Some(format!(
        "Agreement of grades of two readers is Cohen's kappa (Educ Psychol Meas 1960;20:37-46){weighted}, \
         its interval by the large-sample standard error of Fleiss, Cohen and Everitt (Psychol Bull \
         1969;72:323-7){all}. Where nearly all volumes are of one grade kappa falls although readers agree; Gwet's AC1 \
         (Br J Math Stat Psychol 2008;61:29-48) stands beside it."
    ))
}

/// What of which guideline this covers
fn guidelines(document: &Agreement) -> Vec<String> {
    let (size, rest) = if document.plan.is_some() {
        ("6 (sample size), ", "3 to 5, 7 to 9, 12 and 14")
    } else {
        ("", "3 to 9, 12 and 14")
    };
    let mut out = vec![format!(
        "Of the guidelines for reporting reliability and agreement (GRRAS, Kottner and others, J Clin Epidemiol \
         2011;64:96-106; items from memory) this covers {size}10 (statistics), 11 (how many readers and volumes), \
         13 (estimates with their uncertainty); {rest} are the authors' to write."
    )];
    if document.references.iter().any(|one| one.roc.is_some()) {
        out.push(
            "Of the standards for reporting diagnostic accuracy (STARD 2015, Bossuyt and others, BMJ 2015;351:h5527; \
             items from memory) this covers 12 (cut points: that of the reference set beforehand, that of the reading \
             found on these data), 14 (how accuracy was estimated), 16 (missing readings) and 24 (estimates with their \
             uncertainty); the others are the authors' to write."
                .to_owned(),
        );
    }
    out
}

fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}
