//! The words a failure is described in: four levels, after the structure of ISO 14224:2016
//! (failure mode, mechanism and cause, with what people noticed before them). The words and what
//! they mean are our own.

use crate::named::named;

/// Makes a level: an enum of words and what each means.
macro_rules! level {
    ($(#[$doc:meta])* $name:ident as $what:literal { $($variant:ident = $word:literal: $says:literal,)+ }) => {
        named! {
            $(#[$doc])*
            $name as $what { $(#[doc = $says] $variant = $word,)+ }
        }

        impl $name {
            /// What it means.
            #[must_use]
            pub fn says(self) -> &'static str {
                match self { $(Self::$variant => $says),+ }
            }

            fn words() -> impl Iterator<Item = (&'static str, &'static str)> {
                Self::ALL.iter().map(|word| (word.as_str(), word.says()))
            }
        }
    };
}

level! {
    /// What people noticed.
    Symptom as "symptom" {
        NoWater = "no_water": "No water comes to the washers",
        LowPressure = "low_pressure": "Less water or pressure than usual",
        DirtyWater = "dirty_water": "The water is turbid or dark",
        BadSmell = "bad_smell": "The water or the pit smells",
        Foaming = "foaming": "Foam where there should be none",
        Overflow = "overflow": "A tank or the pit runs over",
        FillsAlways = "fills_always": "Fresh water runs in and does not stop",
        Noise = "noise": "A noise or shaking that is not usual",
        AlarmShown = "alarm_shown": "A lamp or message of the controls",
        LeakSeen = "leak_seen": "Water where it should not be",
        FoundOnVisit = "found_on_visit": "Nobody noticed; it was found on a visit",
    }
}

level! {
    /// In which way the part no longer does its work.
    Mode as "mode" {
        FailsToStart = "fails_to_start": "Does not start when called",
        StopsUnasked = "stops_unasked": "Stops while it should run",
        FailsToStop = "fails_to_stop": "Goes on when it should stop",
        LowOutput = "low_output": "Gives less than it should",
        NoOutput = "no_output": "Runs and gives nothing",
        ExternalLeak = "external_leak": "Loses water or air to the outside",
        InternalLeak = "internal_leak": "Passes when shut",
        Plugged = "plugged": "Lets too little through",
        WrongReading = "wrong_reading": "Shows what is not so",
        Structural = "structural": "Cracked, bent or come loose",
        Noisy = "noisy": "Works, but with noise or shaking",
    }
}

level! {
    /// What happened in the part.
    Mechanism as "mechanism" {
        Wear = "wear": "Worn by use",
        Fouling = "fouling": "Covered or filled with dirt, scale or growth",
        Corrosion = "corrosion": "Eaten by water, air or chemicals",
        Fatigue = "fatigue": "Broken by load that came again and again",
        Overheating = "overheating": "Too hot",
        Blockage = "blockage": "Stopped by a foreign body",
        Cavitation = "cavitation": "Ran dry or drew air",
        Freezing = "freezing": "Burst or stopped by frost",
        ElectricalFault = "electrical_fault": "A break, short or earth fault",
        ControlFault = "control_fault": "The controls or their settings went wrong",
        Drift = "drift": "An instrument moved away from the truth",
        Ageing = "ageing": "Hardened, swollen or spent with time",
        NotKnown = "not_known": "It was not found out",
    }
}

level! {
    /// Why that could happen.
    Cause as "cause" {
        Design = "design": "Not made for what it has to do",
        MakingFault = "making_fault": "Made or assembled badly",
        InstallationFault = "installation_fault": "Fitted or connected badly",
        WrongUse = "wrong_use": "Used in another way than it should be",
        WrongChemical = "wrong_chemical": "A wash chemical that it does not bear",
        MissedService = "missed_service": "Not serviced when it was due",
        ServiceFault = "service_fault": "Serviced badly",
        OrdinaryWear = "ordinary_wear": "Reached the end of its life",
        Outside = "outside": "Frost, lightning, impact or supply",
        NotKnown = "not_known": "It was not found out",
    }
}

/// The levels with their words and what each means, from what is noticed to why it happened.
#[must_use]
pub fn levels() -> [(&'static str, Vec<(&'static str, &'static str)>); 4] {
    [
        ("symptom", Symptom::words().collect()),
        ("mode", Mode::words().collect()),
        ("mechanism", Mechanism::words().collect()),
        ("cause", Cause::words().collect()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn every_word_of_a_level_says_something_of_its_own() {
        for (level, words) in levels() {
            let said: HashSet<_> = words.iter().map(|(_, says)| says).collect();
            assert_eq!(said.len(), words.len(), "{level}");
            assert!(words.iter().all(|(word, says)| !word.is_empty() && says.len() > 5), "{level}");
        }
    }
}
