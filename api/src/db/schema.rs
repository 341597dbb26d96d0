//! The tables as diesel sees them. Generated from the migrations (`cargo gen`), never edited.

diesel::table! {
    account (id) {
        id -> Uuid,
        email -> Text,
        name -> Text,
        #[doc = "Argon2id, in PHC string format."]
        password_hash -> Text,
        created_at -> Timestamptz,
        disabled_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "What the site would have used without the unit, as the customer agreed to it."]
    baseline (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        method -> Text,
        #[doc = "The whole record in the domain's own JSON; its days are those of valid."]
        figures -> Jsonb,
        evidence -> Text,
        agreed_by -> Text,
        agreed_on -> Date,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        #[doc = "Null: all that washes at the site."]
        unit_id -> Nullable<Uuid>,
        #[doc = "When a revision took its place; its figures stay readable."]
        replaced_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "The one change log: audit, the changes feed and webhooks read it. Append-only by its grants."]
    change (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        at -> Timestamptz,
        #[doc = "Null: the service itself, such as the night run."]
        account_id -> Nullable<Uuid>,
        request_id -> Nullable<Uuid>,
        record -> Text,
        record_id -> Text,
        revision -> Nullable<Int4>,
        verb -> Text,
        customer_id -> Nullable<Uuid>,
        detail -> Jsonb,
    }
}

diesel::table! {
    component (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        kind -> Text,
        model -> Nullable<Text>,
        serial_number -> Nullable<Text>,
        duty -> Text,
        run_basis -> Text,
        #[doc = "In the run basis."]
        rated_life -> Nullable<Float8>,
        #[doc = "In the run basis: a used part, or one that was already running when tracking began."]
        age_at_fitting -> Float8,
        fitted_at -> Timestamptz,
        last_good_at -> Nullable<Timestamptz>,
        out_at -> Nullable<Timestamptz>,
        out_why -> Nullable<Text>,
        warranty_until -> Nullable<Date>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    consumable (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
        unit -> Text,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "What the customer pays at a site besides water and sewer: never what serving it costs the dealer."]
    cost_terms (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        terms -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    customer (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
        #[doc = "The number the customer's own books use for the dealer or the contract."]
        own_number -> Nullable<Text>,
        #[doc = "Month, 1 to 12."]
        fiscal_year_start -> Int2,
        #[doc = "Null: as the dealer."]
        unit_system -> Nullable<Text>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "Volumes and counts of a subject in one local day of its site. Null: nothing measures it."]
    day_fact (dealer_id, subject_id, day) {
        dealer_id -> Int4,
        subject_id -> Uuid,
        day -> Date,
        unit_id -> Nullable<Uuid>,
        site_id -> Uuid,
        customer_id -> Uuid,
        makeup_l -> Nullable<Float8>,
        wash_l -> Nullable<Float8>,
        rinse_l -> Nullable<Float8>,
        bypass_l -> Nullable<Float8>,
        recirculation_l -> Nullable<Float8>,
        hand_fill_l -> Nullable<Float8>,
        to_sewer_l -> Nullable<Float8>,
        to_holding_l -> Nullable<Float8>,
        hauled_l -> Nullable<Float8>,
        blowdown_l -> Nullable<Float8>,
        energy_kwh -> Nullable<Float8>,
        run_h -> Nullable<Float8>,
        starts -> Nullable<Float8>,
        wash_count -> Nullable<Float8>,
        #[doc = "Share of the day, 0 to 1, between accepted readings, of the least covered meter."]
        coverage -> Float4,
        #[doc = "Share of the day that comes from steps longer than a day, spread evenly."]
        estimated_share -> Float4,
        open_exceptions -> Int4,
    }
}

diesel::table! {
    #[doc = "All readings of one meter in one UTC day that count now, in time order."]
    day_sheet (dealer_id, meter_no, day) {
        dealer_id -> Int4,
        meter_no -> Int4,
        day -> Date,
        #[doc = "Second of the UTC day, 0 to 86399, strictly rising."]
        at -> Array<Int4>,
        #[doc = "Register value at each instant, in the meter's own unit."]
        register -> Array<Float8>,
        #[doc = "For each reading: bit 0 read by hand, bit 1 read by the customer, bit 2 imported. Null: none has any."]
        flags -> Nullable<Array<Int2>>,
    }
}

diesel::table! {
    #[doc = "The tenants. Made by the operator, from the command line."]
    dealer (id) {
        id -> Int4,
        name -> Text,
        time_zone -> Text,
        currency -> Text,
        unit_system -> Text,
        #[doc = "Local hour at which the night run begins."]
        night_hour -> Int2,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    event_line (dealer_id, event_id, revision, n) {
        dealer_id -> Int4,
        event_id -> Uuid,
        revision -> Int4,
        n -> Int2,
        kind -> Text,
        item_id -> Nullable<Uuid>,
        quantity -> Numeric,
        unit -> Text,
    }
}

diesel::table! {
    #[doc = "A gun's flow, measured by filling a bucket."]
    flow_test (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        day -> Date,
        gun -> Text,
        litres -> Float8,
        seconds -> Float8,
        #[doc = "Relative standard uncertainty of the flow found."]
        u_share -> Float8,
        tested_by -> Nullable<Text>,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    forecast (dealer_id, night, unit_id, component_id) {
        dealer_id -> Int4,
        night -> Date,
        component_id -> Uuid,
        unit_id -> Uuid,
        grp -> Int4,
        age -> Float8,
        age_from -> Text,
        #[doc = "An age that it reaches within 30 days; the next two columns count parts alike up to there."]
        reach -> Float8,
        alike_failed -> Int4,
        alike_known -> Int4,
        rated_life -> Nullable<Float8>,
        replace_at -> Nullable<Float8>,
        run_why -> Nullable<Text>,
        use_30 -> Float8,
        #[doc = "Probability that the part fails within 30 days; null where nothing is held of its life."]
        p_30 -> Nullable<Float8>,
        lower_30 -> Nullable<Float8>,
        upper_30 -> Nullable<Float8>,
        #[doc = "The same as if all parts alike failed at one rate."]
        rate_p_30 -> Float8,
        use_90 -> Float8,
        p_90 -> Nullable<Float8>,
        lower_90 -> Nullable<Float8>,
        upper_90 -> Nullable<Float8>,
        rate_p_90 -> Float8,
    }
}

diesel::table! {
    #[doc = "The nights whose forecasts are kept: the last, and the first of every week for scoring."]
    forecast_night (dealer_id, night) {
        dealer_id -> Int4,
        night -> Date,
        made_at -> Timestamptz,
        #[doc = "Parts with a forecast."]
        parts -> Int4,
        #[doc = "The longest horizon up to which all outcomes were looked up."]
        settled_days -> Int2,
        #[doc = "Parts changed since then are looked up again."]
        looked_at -> Timestamptz,
    }
}

diesel::table! {
    forecast_outcome (dealer_id, night, horizon_days, component_id) {
        dealer_id -> Int4,
        night -> Date,
        component_id -> Uuid,
        horizon_days -> Int2,
        state -> Text,
        #[doc = "Days from the forecast to the failure, else to the horizon or to when watching ended."]
        after_days -> Float8,
    }
}

diesel::table! {
    gauge_reading (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        at -> Timestamptz,
        gauge -> Text,
        value -> Float8,
        unit -> Text,
        place -> Nullable<Text>,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Answers to creations by their Idempotency-Key, so that a retry gets the first answer."]
    idempotency (dealer_id, account_id, key) {
        dealer_id -> Int4,
        account_id -> Uuid,
        key -> Text,
        request_hash -> Binary,
        status -> Nullable<Int2>,
        answer -> Nullable<Jsonb>,
        etag -> Nullable<Text>,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "What the lives of parts alike told in a night."]
    life_model (dealer_id, night, grp) {
        dealer_id -> Int4,
        night -> Date,
        grp -> Int4,
        kind -> Text,
        duty -> Text,
        run_basis -> Text,
        model -> Nullable<Text>,
        lives -> Int4,
        failures -> Int4,
        rated_life -> Nullable<Float8>,
        #[doc = "What forecasts rest on: the fit, the rated life with the lives, or nothing."]
        basis -> Text,
        figures -> Jsonb,
    }
}

diesel::table! {
    #[doc = "What leaves the loop unmeasured, as declared."]
    loss_coefficient (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        loss -> Text,
        basis -> Text,
        #[doc = "Litres a square metre and day, a day or a wash; of flow, the part of the wash water."]
        value -> Float8,
        surface_m2 -> Nullable<Float8>,
        #[doc = "Relative standard uncertainty of the value."]
        u_share -> Float8,
        source -> Text,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "What an account may do for a dealer; customers' people belong to one customer."]
    membership (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        account_id -> Uuid,
        role -> Text,
        customer_id -> Nullable<Uuid>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    meter (dealer_id, no) {
        dealer_id -> Int4,
        no -> Int4,
        id -> Uuid,
        label -> Text,
        stream -> Text,
        unit -> Text,
        #[doc = "Painted zeros: what one count stands for, in `unit`."]
        multiplier -> Int2,
        #[doc = "Digits of the register as it is typed in; it rolls over at 10^digits. Null: never."]
        digits -> Nullable<Int2>,
        resolution -> Nullable<Float8>,
        #[doc = "Most that can pass in an hour, in litres, kWh, hours or events."]
        flow_max_per_h -> Nullable<Float8>,
        flow_q1_l_per_h -> Nullable<Float8>,
        flow_q2_l_per_h -> Nullable<Float8>,
        flow_q3_l_per_h -> Nullable<Float8>,
        flow_q4_l_per_h -> Nullable<Float8>,
        accuracy_class -> Nullable<Int2>,
        #[doc = "Permissible error in service over that of a new meter; 2 is common."]
        in_service_factor -> Float8,
        position -> Nullable<Text>,
        serial_number -> Nullable<Text>,
        read_by -> Text,
        read_every_h -> Nullable<Int4>,
        #[doc = "This register is the pulse total of that dial."]
        dial_meter_no -> Nullable<Int4>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "What a meter measures: one unit, a site with several, or one part."]
    meter_attachment (dealer_id, meter_no, valid) {
        dealer_id -> Int4,
        meter_no -> Int4,
        valid -> Tstzrange,
        unit_id -> Nullable<Uuid>,
        site_id -> Nullable<Uuid>,
        component_id -> Nullable<Uuid>,
        share -> Float8,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "A new register behind the same connection: the old one's last value and the new one's first."]
    meter_exchange (dealer_id, id) {
        dealer_id -> Int4,
        meter_no -> Int4,
        at -> Timestamptz,
        old_final -> Float8,
        new_start -> Float8,
        note -> Nullable<Text>,
        created_at -> Timestamptz,
        id -> Uuid,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "What the whole days of a meter at a subject usually pass: what steps are held against."]
    meter_month (dealer_id, subject_id, meter_no, month) {
        dealer_id -> Int4,
        subject_id -> Uuid,
        meter_no -> Int4,
        month -> Date,
        days -> Int2,
        spread_days -> Int2,
        upper_day -> Float8,
        mean_day -> Float8,
    }
}

diesel::table! {
    #[doc = "The last meter number given out, one row a dealer."]
    meter_number (dealer_id) {
        dealer_id -> Int4,
        last_no -> Int4,
    }
}

diesel::table! {
    #[doc = "What the night run finds the matter with a meter."]
    meter_watch (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        meter_no -> Int4,
        kind -> Text,
        since -> Timestamptz,
        #[doc = "Readings, days, or a share of what the dial passed, as the kind says."]
        size -> Float8,
        opened_at -> Timestamptz,
        #[doc = "The last night run that found it."]
        seen_at -> Timestamptz,
        closed_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    month_fact (dealer_id, subject_id, month) {
        dealer_id -> Int4,
        subject_id -> Uuid,
        month -> Date,
        unit_id -> Nullable<Uuid>,
        site_id -> Uuid,
        customer_id -> Uuid,
        grade -> Text,
        volumes -> Jsonb,
        coverage -> Float4,
        estimated_share -> Float4,
        open_exceptions -> Int4,
        #[doc = "Volumes of the balance's parts with where they come from and what makes them unsure; of all days, and of whole ones."]
        statement -> Jsonb,
    }
}

diesel::table! {
    night_run (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        as_of -> Timestamptz,
        started_at -> Timestamptz,
        finished_at -> Nullable<Timestamptz>,
        outcome -> Nullable<Text>,
        readings -> Int8,
        subjects -> Int4,
        days -> Int4,
        months -> Int4,
        reports -> Int4,
        exceptions -> Int4,
        error -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "The same between two rounds at which all meters of the subject were read."]
    period_fact (dealer_id, subject_id, from_at) {
        dealer_id -> Int4,
        subject_id -> Uuid,
        from_at -> Timestamptz,
        to_at -> Timestamptz,
        unit_id -> Nullable<Uuid>,
        site_id -> Uuid,
        customer_id -> Uuid,
        grade -> Text,
        volumes -> Jsonb,
        open_exceptions -> Int4,
    }
}

diesel::table! {
    #[doc = "Where stock lies."]
    place (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
        kind -> Text,
        site_id -> Nullable<Uuid>,
        created_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "A unit at a site from-to. What a customer may see follows this interval."]
    placement (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Tstzrange,
        terms -> Text,
        #[doc = "Registers by meter id and levels, as read at the handover."]
        at_start -> Jsonb,
        at_end -> Nullable<Jsonb>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "Rain at a site in one of its local days."]
    rain_day (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        day -> Date,
        depth_mm -> Float8,
        source -> Text,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "A stretch in which a site's rain diverter leads to the pit; else it leads away."]
    rain_intake (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Tstzrange,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    reading_correction (dealer_id, meter_no, at, n) {
        dealer_id -> Int4,
        meter_no -> Int4,
        at -> Timestamptz,
        n -> Int2,
        #[doc = "Null: the reading had been taken out, and this put it back."]
        was -> Nullable<Float8>,
        #[doc = "Null: the reading was taken out."]
        became -> Nullable<Float8>,
        why -> Text,
        corrected_by -> Uuid,
        corrected_at -> Timestamptz,
        exception_id -> Nullable<Uuid>,
    }
}

diesel::table! {
    #[doc = "A step that does not count until a person has decided."]
    reading_exception (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        meter_no -> Int4,
        from_at -> Timestamptz,
        to_at -> Timestamptz,
        kind -> Text,
        from_register -> Float8,
        to_register -> Float8,
        #[doc = "What probably happened; suggested, never applied unasked."]
        slip -> Nullable<Text>,
        likely_register -> Nullable<Float8>,
        opened_at -> Timestamptz,
        closed_at -> Nullable<Timestamptz>,
        ruling -> Nullable<Text>,
        ruled_by -> Nullable<Uuid>,
        note -> Nullable<Text>,
        #[doc = "What the step would count: litres, kWh, hours or events."]
        amount_if_accepted -> Nullable<Float8>,
    }
}

diesel::table! {
    report_revision (dealer_id, report_id, n) {
        dealer_id -> Int4,
        report_id -> Uuid,
        n -> Int4,
        customer_id -> Uuid,
        #[doc = "The report model, whole: page and JSON show this and compute nothing."]
        figures -> Jsonb,
        reason -> Text,
        made_at -> Timestamptz,
        issued_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "What failures cost, as the dealer reckons; without a row the usual figures count."]
    risk_cost (dealer_id) {
        dealer_id -> Int4,
        figures -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    sample (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        at -> Timestamptz,
        point -> Text,
        #[doc = "pH, ORP, dissolved oxygen, conductivity, turbidity, odour, sludge depth, ..."]
        what -> Text,
        qualifier -> Nullable<Text>,
        value -> Float8,
        unit -> Text,
        method -> Nullable<Text>,
        detection_limit -> Nullable<Float8>,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    savings_report (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        customer_id -> Uuid,
        month -> Date,
        state -> Text,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "Something done to a unit. A correction is a new revision; the highest one counts."]
    service_event (dealer_id, id, revision) {
        dealer_id -> Int4,
        id -> Uuid,
        revision -> Int4,
        unit_id -> Uuid,
        at -> Timestamptz,
        kind -> Text,
        customer_note -> Nullable<Text>,
        internal_note -> Nullable<Text>,
        details -> Jsonb,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "One sign-in and the refresh tokens that followed from it, one valid at a time."]
    session_family (id) {
        id -> Uuid,
        account_id -> Uuid,
        dealer_id -> Int4,
        membership_id -> Uuid,
        #[doc = "SHA-256 of the token that is valid now; the token itself is never stored."]
        refresh_hash -> Binary,
        created_at -> Timestamptz,
        rotated_at -> Timestamptz,
        expires_at -> Timestamptz,
        revoked_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    site (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        customer_id -> Uuid,
        name -> Text,
        #[doc = "IANA zone: the site's days and months begin by it."]
        time_zone -> Text,
        country -> Text,
        address -> Nullable<Text>,
        latitude -> Nullable<Float8>,
        longitude -> Nullable<Float8>,
        own_number -> Nullable<Text>,
        cost_centre -> Nullable<Text>,
        bay_roofed -> Bool,
        catchment_m2 -> Nullable<Float8>,
        rain_diverter -> Bool,
        pit_volume_l -> Nullable<Float8>,
        #[doc = "What the bay washes with when its unit stands."]
        fallback -> Text,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
        #[doc = "Part of the rain on the catchment that runs off."]
        runoff_coefficient -> Nullable<Float8>,
        #[doc = "Depth that wets the catchment before anything runs, a rain day."]
        initial_loss_mm -> Nullable<Float8>,
    }
}

diesel::table! {
    #[doc = "Limits a membership to chosen sites; without rows it has all of its customer's."]
    site_access (dealer_id, membership_id, site_id) {
        dealer_id -> Int4,
        membership_id -> Uuid,
        site_id -> Uuid,
    }
}

diesel::table! {
    spell (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        state -> Text,
        reason -> Nullable<Text>,
        valid -> Tstzrange,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "The ledger: a balance is the sum of what came to a place less what left it."]
    stock_movement (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        consumable_id -> Uuid,
        from_place_id -> Nullable<Uuid>,
        to_place_id -> Nullable<Uuid>,
        unit_id -> Nullable<Uuid>,
        kind -> Text,
        quantity -> Numeric,
        at -> Timestamptz,
        lot -> Nullable<Text>,
        expires_on -> Nullable<Date>,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    tariff (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        water_account_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        currency -> Text,
        #[doc = "One version in the domain's own JSON; its days are those of valid."]
        terms -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        name -> Text,
        rounding -> Text,
    }
}

diesel::table! {
    #[doc = "What the next night run has to compute again: meters and UTC days."]
    touched (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        meter_nos -> Array<Int4>,
        from_day -> Date,
        to_day -> Date,
    }
}

diesel::table! {
    unit (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        model_id -> Nullable<Uuid>,
        serial_number -> Text,
        label -> Text,
        rated_flow_l_per_h -> Nullable<Float8>,
        working_volume_l -> Nullable<Float8>,
        #[doc = "The number the customer's own books give the unit."]
        asset_number -> Nullable<Text>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    unit_model (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
        rated_flow_l_per_h -> Float8,
        working_volume_l -> Float8,
        #[doc = "Volume between the floats that start and stop the fill: how far storage can stand from its last reading."]
        float_band_l -> Float8,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "The units in the order of what failures are expected to cost, as of the last night."]
    unit_risk (dealer_id, unit_id) {
        dealer_id -> Int4,
        unit_id -> Uuid,
        night -> Date,
        rank -> Int4,
        p_30 -> Float8,
        p_90 -> Float8,
        expected_loss -> Nullable<Jsonb>,
        not_forecast -> Int4,
    }
}

diesel::table! {
    #[doc = "Water that enters or leaves at once; counted on a line of its own."]
    volume_event (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        at -> Timestamptz,
        kind -> Text,
        volume_l -> Float8,
        note -> Nullable<Text>,
        created_at -> Timestamptz,
        #[doc = "Relative standard uncertainty of the volume."]
        u_share -> Float8,
        #[doc = "Whether a meter of the balance counted this water too."]
        passed_a_meter -> Bool,
        hauler -> Nullable<Text>,
        ticket -> Nullable<Text>,
        destination -> Nullable<Text>,
        #[doc = "As its generator declared it."]
        waste_class -> Nullable<Text>,
        recorded_by -> Nullable<Uuid>,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Which hours a gun's flow is multiplied by, where no meter measures the wash water."]
    wash_derivation (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        gun -> Text,
        method -> Text,
        meter_id -> Uuid,
        share -> Nullable<Float8>,
        #[doc = "Standard uncertainty of the share."]
        u_share -> Nullable<Float8>,
        source -> Text,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    wash_tally (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        period -> Daterange,
        machine_class -> Text,
        washes -> Int4,
        source -> Text,
        created_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    water_account (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        supplier -> Text,
        account_number -> Nullable<Text>,
        meter_size_mm -> Nullable<Int2>,
        billing_months -> Int2,
        #[doc = "Least use on the same account that the unit does not touch; null: unknown, and then a saving is a range."]
        other_use_l_per_month -> Nullable<Float8>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
        name -> Text,
        #[doc = "By the name that the tariff has for it; takes the place of meter_size_mm."]
        meter_size -> Nullable<Text>,
        #[doc = "A day on which a billing cycle begins."]
        cycle_anchor -> Date,
        #[doc = "The most of it; the same as the least when it is known, null for no bound."]
        other_use_most_l_per_month -> Nullable<Float8>,
        strengths_mg_per_l -> Jsonb,
        #[doc = "Local days on which the water of the site's units is charged to it; null: never."]
        charged -> Nullable<Daterange>,
    }
}

diesel::table! {
    #[doc = "A bill as it came from the supplier; a wrong one is withdrawn."]
    water_bill (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        water_account_id -> Uuid,
        customer_id -> Uuid,
        period -> Daterange,
        currency -> Text,
        metered_l -> Nullable<Float8>,
        #[doc = "Lines and total."]
        bill -> Jsonb,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::allow_tables_to_appear_in_same_query!(
    account,
    baseline,
    change,
    component,
    consumable,
    cost_terms,
    customer,
    day_fact,
    day_sheet,
    dealer,
    event_line,
    flow_test,
    forecast,
    forecast_night,
    forecast_outcome,
    gauge_reading,
    idempotency,
    life_model,
    loss_coefficient,
    membership,
    meter,
    meter_attachment,
    meter_exchange,
    meter_month,
    meter_number,
    meter_watch,
    month_fact,
    night_run,
    period_fact,
    place,
    placement,
    rain_day,
    rain_intake,
    reading_correction,
    reading_exception,
    report_revision,
    risk_cost,
    sample,
    savings_report,
    service_event,
    session_family,
    site,
    site_access,
    spell,
    stock_movement,
    tariff,
    touched,
    unit,
    unit_model,
    unit_risk,
    volume_event,
    wash_derivation,
    wash_tally,
    water_account,
    water_bill,
);
