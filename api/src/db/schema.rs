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
        #[doc = "The secret of the second factor (RFC 6238), sealed by a key that is not in the database."]
        totp_sealed -> Nullable<Binary>,
        #[doc = "Since when codes are asked for; null: never, or not confirmed yet."]
        totp_since -> Nullable<Timestamptz>,
        #[doc = "The time step of the last code that was taken: it and those before it are spent."]
        totp_step -> Nullable<Int8>,
        password_set_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "What a customer is promised, and for how much."]
    agreement (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Nullable<Uuid>,
        site_id -> Nullable<Uuid>,
        customer_id -> Uuid,
        #[doc = "Its first day, as a UTC day."]
        at -> Timestamptz,
        #[doc = "The record in the domain's own JSON; the columns are what is looked for and judged."]
        record -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "A program with the permissions that were granted to it; of one customer alone, if so made."]
    api_client (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
        customer_id -> Nullable<Uuid>,
        scopes -> Array<Text>,
        expires_at -> Nullable<Timestamptz>,
        #[doc = "When it last asked for a token."]
        last_used_at -> Nullable<Timestamptz>,
        created_by -> Nullable<Uuid>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "Limits a program of one customer to chosen sites; without rows it has all of them."]
    api_client_site (dealer_id, client_id, site_id) {
        dealer_id -> Int4,
        client_id -> Uuid,
        site_id -> Uuid,
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
    #[doc = "Something the customer was billed for, at the customer's price."]
    billed_item (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        day -> Date,
        kind -> Text,
        what -> Text,
        quantity -> Numeric,
        unit -> Text,
        price -> Numeric,
        currency -> Text,
        #[doc = "Local days that it is for; null: the day it was billed, or the life of its part."]
        covers -> Nullable<Daterange>,
        #[doc = "The part that it paid for: it accrues over that part's life."]
        component_id -> Nullable<Uuid>,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Private addresses at which a calendar program reads a technician's visits."]
    calendar_feed (id) {
        id -> Uuid,
        account_id -> Uuid,
        dealer_id -> Int4,
        #[doc = "SHA-256 of the address's secret part; the secret itself is never stored."]
        token_hash -> Binary,
        created_at -> Timestamptz,
        revoked_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    calibration (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        component_id -> Nullable<Uuid>,
        at -> Timestamptz,
        probe -> Text,
        #[doc = "Checks as found and as left with the limits of that day, in the domain's own JSON."]
        record -> Jsonb,
        #[doc = "Whether the probe, as it was found, was within the limits."]
        found_good -> Bool,
        left_good -> Bool,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "How far a probe may be off, where the dealer has said so, in the domain's own JSON."]
    calibration_limits (dealer_id) {
        dealer_id -> Int4,
        limits -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "A customer's call, in the customer's words, and the steps that followed."]
    call_out (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Nullable<Uuid>,
        site_id -> Uuid,
        customer_id -> Uuid,
        at -> Timestamptz,
        #[doc = "The record in the domain's own JSON; the columns are what is looked for and judged."]
        record -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        #[doc = "The record's own; a column, because row-level security lets no index look into JSON."]
        order_number -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "What the dealer alone knows of a call-out: its cause and internal words."]
    call_out_internal (dealer_id, call_out_id) {
        dealer_id -> Int4,
        call_out_id -> Uuid,
        record -> Jsonb,
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
        #[doc = "The transaction that wrote it; all below a snapshot's xmin are seen or will never be."]
        xid -> Int8,
        #[doc = "Order of writing, also within a transaction. Not that of the feed: a slow one commits late."]
        line -> Int8,
        #[doc = "From which IP address; null for the service itself."]
        address -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Where each line of the change log stands in its dealer's feed and hash chain. Append-only by its grants."]
    change_place (dealer_id, seq) {
        dealer_id -> Int4,
        seq -> Int8,
        change_id -> Uuid,
        #[doc = "The customer whose people see it; null where it is the dealer's alone."]
        customer_id -> Nullable<Uuid>,
        #[doc = "SHA-256 of the hash before it and the line's text, so that no line can be changed unnoticed."]
        hash -> Binary,
        #[doc = "All lines of transactions below this one have their place by now."]
        below_xid -> Int8,
    }
}

diesel::table! {
    #[doc = "SHA-256 of each secret of a program. Two may hold at a time, while the program changes over."]
    client_secret (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        client_id -> Uuid,
        secret_hash -> Binary,
        created_at -> Timestamptz,
        #[doc = "When it stops to hold; null: when the program ends."]
        ends_at -> Nullable<Timestamptz>,
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
        #[doc = "Use on a day of running, in the run basis, where no counter tells it."]
        assumed_per_day -> Nullable<Float8>,
        #[doc = "From when on its failure would have been written down; null: since it was fitted."]
        tracked_from -> Nullable<Timestamptz>,
        #[doc = "When it was written down that the part is out; null with out_at: then."]
        out_noted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "What follows when a part fails: for the dealer alone. Days down are by the site's fallback."]
    component_failure (dealer_id, component_id) {
        dealer_id -> Int4,
        component_id -> Uuid,
        parts_cost_class -> Text,
        call_out -> Bool,
        down_town_water_d -> Float8,
        down_second_unit_d -> Float8,
        down_none_d -> Float8,
    }
}

diesel::table! {
    #[doc = "Units of which something was noted that the next night run tests them on."]
    condition_due (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
    }
}

diesel::table! {
    #[doc = "What became of each test of a unit in the last night run that touched it."]
    condition_test (dealer_id, unit_id, kind) {
        dealer_id -> Int4,
        unit_id -> Uuid,
        kind -> Text,
        tested_at -> Timestamptz,
        #[doc = "Why it was not run."]
        why_not -> Nullable<Text>,
        #[doc = "Its last points with what is usual and the limit."]
        chart -> Nullable<Jsonb>,
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
        density_kg_per_l -> Nullable<Float8>,
        hazard -> Text,
        by_lot -> Bool,
        shelf_life_d -> Nullable<Int4>,
        #[doc = "Chance that a stock is to suffice until the next delivery."]
        service_level -> Float8,
        supplier_id -> Nullable<Uuid>,
        pack -> Nullable<Numeric>,
        least_packs -> Nullable<Int4>,
        lead_time_d -> Nullable<Int4>,
        lead_time_sd_d -> Nullable<Float8>,
        #[doc = "Active substance by mass; null where nobody said."]
        active_share -> Nullable<Float8>,
        #[doc = "The declared daily use of one unit, in the domain's own JSON."]
        per_day -> Nullable<Jsonb>,
        #[doc = "What one order costs, whatever its size, in the dealer's currency. Never shown to a customer."]
        order_cost -> Nullable<Numeric>,
        #[doc = "What keeping one of its unit for a year costs, in the dealer's currency. Never shown to a customer."]
        holding_cost_per_year -> Nullable<Numeric>,
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
    #[doc = "Warranty, given to a customer or by a supplier."]
    cover (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        site_id -> Nullable<Uuid>,
        #[doc = "Null: a supplier gives it to the dealer, and it is the dealer's alone."]
        customer_id -> Nullable<Uuid>,
        at -> Timestamptz,
        #[doc = "The record in the domain's own JSON; the columns are what is looked for and judged."]
        record -> Jsonb,
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
        #[doc = "Share of the day, 0 to 1, between accepted readings, of the stream that was seen least."]
        coverage -> Float4,
        #[doc = "Share of the day that comes from steps longer than a day, spread evenly."]
        estimated_share -> Float4,
        open_exceptions -> Int4,
        #[doc = "Washes told apart by pauses at single guns. Null: the readings can't."]
        sessions -> Nullable<Int4>,
    }
}

diesel::table! {
    #[doc = "All readings of one meter in one UTC day, or in one hour of it, that count now, in time order."]
    day_sheet (dealer_id, meter_no, day, hour) {
        dealer_id -> Int4,
        meter_no -> Int4,
        day -> Date,
        #[doc = "Second of the UTC day, 0 to 86399, strictly rising."]
        at -> Array<Int4>,
        #[doc = "Register value at each instant, in the meter's own unit."]
        register -> Array<Float8>,
        #[doc = "For each reading: bit 0 read by hand, bit 1 read by the customer, bit 2 imported. Null: none has any."]
        flags -> Nullable<Array<Int2>>,
        #[doc = "The hour of the UTC day, where the meter's hours have sheets of their own; 0 for a whole day."]
        hour -> Int2,
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
    #[doc = "What was left at a site when somebody looked; it changes nothing in the ledger."]
    dip (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        at -> Timestamptz,
        consumable_id -> Uuid,
        open_quantity -> Numeric,
        sealed_quantity -> Numeric,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Lets an inspector read one site's discharge and hauling of some days, without signing in, until it expires."]
    discharge_link (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        token_hash -> Binary,
        #[doc = "Who was given it."]
        person -> Text,
        first_day -> Date,
        last_day -> Date,
        expires_at -> Timestamptz,
        created_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        #[doc = "When it was last opened."]
        opened_at -> Nullable<Timestamptz>,
        revoked_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "How a dosing pump of a unit was left."]
    dosing_setting (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        at -> Timestamptz,
        consumable_id -> Uuid,
        full_ml_per_min -> Float8,
        control -> Text,
        stroke_share -> Nullable<Float8>,
        speed_share -> Nullable<Float8>,
        #[doc = "Share of all time in which the pump runs."]
        run_share -> Float8,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "What a dosing pump took from a calibration cylinder."]
    draw_down (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        at -> Timestamptz,
        consumable_id -> Uuid,
        taken_ml -> Float8,
        run_s -> Float8,
        division_ml -> Float8,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Access tokens that their program revoked before they ran out (RFC 7009)."]
    ended_token (dealer_id, token_id) {
        dealer_id -> Int4,
        token_id -> Uuid,
        client_id -> Uuid,
        expires_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "The note of a service event that is the dealer's alone."]
    event_internal (dealer_id, event_id, revision) {
        dealer_id -> Int4,
        event_id -> Uuid,
        revision -> Int4,
        note -> Text,
    }
}

diesel::table! {
    #[doc = "Lines of the ledger that a revision of a service event brought about: what it took, and what it gave back of the one before."]
    event_issue (dealer_id, event_id, revision, movement_id) {
        dealer_id -> Int4,
        event_id -> Uuid,
        revision -> Int4,
        movement_id -> Uuid,
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
        #[doc = "Who worked or drove, or which part or consumable."]
        what -> Text,
        #[doc = "Where it was taken from stock; null: the line leaves stock as it is."]
        from_place_id -> Nullable<Uuid>,
        lot_id -> Nullable<Uuid>,
        #[doc = "Who pays, where somebody said so; null: as the covers of the unit have it."]
        payer -> Nullable<Text>,
        overdraw_reason -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Notes that a service event brought about; a correction withdraws them and brings others."]
    event_note (dealer_id, event_id, note_id) {
        dealer_id -> Int4,
        event_id -> Uuid,
        #[doc = "The note's table."]
        record -> Text,
        note_id -> Uuid,
    }
}

diesel::table! {
    file (dealer_id, sha256) {
        dealer_id -> Int4,
        sha256 -> Binary,
        #[doc = "As its first bytes say, whatever the sender called it."]
        media_type -> Text,
        size_bytes -> Int4,
        #[doc = "The customer whose people sent it first; null: the dealer's."]
        customer_id -> Nullable<Uuid>,
        sent_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    file_content (dealer_id, sha256) {
        dealer_id -> Int4,
        sha256 -> Binary,
        bytes -> Binary,
    }
}

diesel::table! {
    #[doc = "Which record a file stands behind; n counts the files of one record."]
    file_link (dealer_id, record, record_id, n) {
        dealer_id -> Int4,
        record -> Text,
        record_id -> Uuid,
        #[doc = "In the order in which files were put there."]
        n -> Int8,
        sha256 -> Binary,
        #[doc = "Of a reading: its instant; the record is its meter."]
        at -> Nullable<Timestamptz>,
        #[doc = "Who may see it besides the dealer; null: nobody."]
        customer_id -> Nullable<Uuid>,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "Customers whose people sent a file that was there already."]
    file_sender (dealer_id, sha256, customer_id) {
        dealer_id -> Int4,
        sha256 -> Binary,
        customer_id -> Uuid,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "Something wrong with a unit, one open for each cause."]
    finding (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        kind -> Text,
        #[doc = "The local day on which it began."]
        since -> Date,
        #[doc = "Litres a day, a share, kWh a day, kPa, or a drift in 30 days, as the kind says."]
        size -> Float8,
        opened_at -> Timestamptz,
        #[doc = "The last night run that found it."]
        seen_at -> Timestamptz,
        closed_at -> Nullable<Timestamptz>,
        #[doc = "Which of several things it is about, such as what pumps dose."]
        about -> Nullable<Text>,
        #[doc = "What it costs a day, at least and at most."]
        cost_per_day -> Nullable<Jsonb>,
        #[doc = "Why no cost is reckoned."]
        no_cost -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "How parts fared after findings, as the last night took it for its forecasts."]
    finding_followed (dealer_id, finding, part_kind) {
        dealer_id -> Int4,
        finding -> Text,
        part_kind -> Text,
        failures -> Int4,
        #[doc = "Failures that their forecasts had said."]
        expected -> Float8,
        #[doc = "The same of weeks without such a finding; counted where enough failures followed one."]
        failures_without -> Int4,
        expected_without -> Float8,
        #[doc = "What such a finding multiplies the hazard by; null before enough failures followed."]
        factor -> Nullable<Float8>,
        lower -> Nullable<Float8>,
        upper -> Nullable<Float8>,
    }
}

diesel::table! {
    #[doc = "What the dealer asks of fitted bills, in the domain's own JSON."]
    fit_limits (dealer_id) {
        dealer_id -> Int4,
        limits -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
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
        #[doc = "Where the age is from; counter, of either, in nights of earlier versions."]
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
        #[doc = "What of the age nobody counted."]
        age_estimated -> Float8,
        #[doc = "What findings at the unit multiplied the hazard by."]
        factor -> Nullable<Float8>,
        #[doc = "What replacing at that age saves in a thousand units of run."]
        replace_saving -> Nullable<Jsonb>,
        #[doc = "The next planned visit, where replacing at it costs little more."]
        visit_on -> Nullable<Date>,
        #[doc = "How much more, as a share."]
        visit_more -> Nullable<Float8>,
        #[doc = "What its failure costs on top of the part; null while its unit stands nowhere."]
        loss -> Nullable<Jsonb>,
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
        #[doc = "Lives by how they ended, all kinds together; null of nights before it was kept."]
        ends -> Nullable<Jsonb>,
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
        #[doc = "On which side of the value the truth lies; null: at it."]
        qualifier -> Nullable<Text>,
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
    #[doc = "What the customer put into recycling at a site, and what was promised to come of it."]
    investment (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        day -> Date,
        amount -> Numeric,
        currency -> Text,
        #[doc = "Net saving of a year as promised; null: nothing was."]
        promised_per_year -> Nullable<Numeric>,
        discount_rate -> Float8,
        life_years -> Float8,
        evidence -> Text,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
    }
}

diesel::table! {
    invitation (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        email -> Text,
        name -> Text,
        role -> Text,
        customer_id -> Nullable<Uuid>,
        #[doc = "The customer's sites it is limited to; empty: all of them."]
        site_ids -> Array<Uuid>,
        invited_by -> Nullable<Uuid>,
        expires_at -> Timestamptz,
        accepted_at -> Nullable<Timestamptz>,
        membership_id -> Nullable<Uuid>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        #[doc = "When it was withdrawn."]
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "SHA-256 of each link sent for an invitation; the secret itself is never stored."]
    invitation_link (dealer_id, token_hash) {
        dealer_id -> Int4,
        token_hash -> Binary,
        invitation_id -> Uuid,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    item_price (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        consumable_id -> Uuid,
        kind -> Text,
        valid -> Daterange,
        #[doc = "Of one of the item's unit, without tax."]
        amount -> Numeric,
        currency -> Text,
        created_at -> Timestamptz,
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    job (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        kind -> Text,
        #[doc = "What the job is about: of one kind there is never a second one."]
        once -> Text,
        payload -> Jsonb,
        tries -> Int2,
        #[doc = "Not before; while it is tried, when somebody else may take it up again."]
        due_at -> Timestamptz,
        last_error -> Nullable<Text>,
        created_at -> Timestamptz,
        done_at -> Nullable<Timestamptz>,
        given_up_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    kit (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
        lines -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
        #[doc = "The kind of part that is replaced with it."]
        for_kind -> Nullable<Text>,
        #[doc = "The maker's name of that part; null: of all models that have no kit of their own."]
        for_model -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "Counts that a dealer lends; its rows go when it no longer does."]
    lent_life (lender, kind, duty, run_basis) {
        lender -> Int4,
        kind -> Text,
        duty -> Text,
        run_basis -> Text,
        lives -> Int4,
        failures -> Int4,
        time_at_risk -> Float8,
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
        #[doc = "The soil, where the group is of one."]
        soil_class -> Nullable<Text>,
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
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
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
        #[doc = "From this UTC day on each hour has a sheet of its own; null: a sheet is a whole day."]
        hourly_from -> Nullable<Date>,
        #[doc = "State of a displacement meter, which has limits of its own in place of a class."]
        displacement -> Nullable<Text>,
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
        #[doc = "Standard uncertainty of the declared share."]
        share_u -> Float8,
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "A meter held against a known volume: a bucket, a tank, a tested meter."]
    meter_check (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        meter_no -> Int4,
        at -> Timestamptz,
        indicated_l -> Float8,
        reference_l -> Float8,
        #[doc = "Relative standard uncertainty of the known volume."]
        u_reference_share -> Float8,
        note -> Nullable<Text>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
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
    #[doc = "A part that a unit of the model is fitted with."]
    model_component (dealer_id, model_id, n) {
        dealer_id -> Int4,
        model_id -> Uuid,
        n -> Int4,
        kind -> Text,
        model -> Nullable<Text>,
        duty -> Text,
        run_basis -> Text,
        rated_life -> Nullable<Float8>,
        assumed_per_day -> Nullable<Float8>,
        parts_cost_class -> Text,
        call_out -> Bool,
        down_town_water_d -> Float8,
        down_second_unit_d -> Float8,
        down_none_d -> Float8,
    }
}

diesel::table! {
    model_consumable (dealer_id, model_id, n) {
        dealer_id -> Int4,
        model_id -> Uuid,
        n -> Int4,
        name -> Text,
        unit -> Text,
        #[doc = "In unit, for each day of running, cubic metre of wash water or wash."]
        dose -> Float8,
        dose_per -> Text,
        item_id -> Nullable<Uuid>,
    }
}

diesel::table! {
    #[doc = "What a task takes along; substitutes are named, the best first."]
    model_kit_line (dealer_id, model_id, n) {
        dealer_id -> Int4,
        model_id -> Uuid,
        n -> Int4,
        task -> Text,
        item -> Text,
        quantity -> Numeric,
        unit -> Text,
        substitutes -> Jsonb,
        item_id -> Nullable<Uuid>,
    }
}

diesel::table! {
    model_routine (dealer_id, model_id, n) {
        dealer_id -> Int4,
        model_id -> Uuid,
        n -> Int4,
        #[doc = "The recurring work in the domain's own JSON, as a unit of the model gets it."]
        plan -> Jsonb,
    }
}

diesel::table! {
    #[doc = "A step of the treatment, in the order in which water passes."]
    model_stage (dealer_id, model_id, n) {
        dealer_id -> Int4,
        model_id -> Uuid,
        n -> Int4,
        name -> Text,
        volume_l -> Float8,
        #[doc = "Water surface, of a stage that settles."]
        surface_m2 -> Nullable<Float8>,
        #[doc = "Length of the weir it flows over."]
        weir_m -> Nullable<Float8>,
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
    #[doc = "An address to which a customer's figures of each month go by mail."]
    monthly_file (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        customer_id -> Uuid,
        email -> Text,
        #[doc = "The file of a month goes from this day of the next one on, by the clocks of the customer's sites."]
        day_of_month -> Int2,
        #[doc = "Whoever got them wanted no more, by the link in the mail."]
        unsubscribed -> Bool,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "SHA-256 of the secret in each mail by which its reader wants no more; the secret itself is never stored."]
    monthly_file_unsubscribe (dealer_id, token_hash) {
        dealer_id -> Int4,
        token_hash -> Binary,
        monthly_file_id -> Uuid,
        created_at -> Timestamptz,
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
    #[doc = "SHA-256 of the links by which a forgotten password is set anew; the secret is never stored."]
    password_reset (token_hash) {
        token_hash -> Binary,
        account_id -> Uuid,
        created_at -> Timestamptz,
        expires_at -> Timestamptz,
        used_at -> Nullable<Timestamptz>,
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
        #[doc = "The parts of the balance with their errors, in the domain's own JSON. Null: computed before these were kept."]
        statement -> Nullable<Jsonb>,
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
        revision -> Int4,
        changed_at -> Timestamptz,
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
    #[doc = "What work costs the dealer. Never shown to a customer."]
    price (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        what -> Text,
        valid -> Daterange,
        unit -> Text,
        amount -> Numeric,
        currency -> Text,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "The water going wrong, with the customer of the day it began."]
    process_upset (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        site_id -> Nullable<Uuid>,
        customer_id -> Nullable<Uuid>,
        at -> Timestamptz,
        #[doc = "The record in the domain's own JSON; the columns are what is looked for and judged."]
        record -> Jsonb,
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
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
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
        #[doc = "When it was last opened, found to be otherwise, or closed."]
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "SHA-256 of each link handed out for a request; the secret itself is never stored."]
    reading_link (dealer_id, token_hash) {
        dealer_id -> Int4,
        token_hash -> Binary,
        request_id -> Uuid,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "One person asked to read some meters of one site."]
    reading_request (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        person -> Text,
        email -> Nullable<Text>,
        due_on -> Date,
        expires_at -> Timestamptz,
        reminders -> Int2,
        #[doc = "When the last reminder of it was sent off, into the queue."]
        mailed_at -> Nullable<Timestamptz>,
        #[doc = "When its last reading was taken: its links are spent since then."]
        taken_at -> Nullable<Timestamptz>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        #[doc = "When it was revoked."]
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    reading_request_meter (dealer_id, request_id, n) {
        dealer_id -> Int4,
        request_id -> Uuid,
        n -> Int2,
        meter_no -> Int4,
        #[doc = "A photo sent before its reading was taken."]
        photo_sha256 -> Nullable<Binary>,
        taken_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "SHA-256 of codes of 120 random bits that stand in, once each, for a lost second factor."]
    recovery_code (account_id, code_hash) {
        account_id -> Uuid,
        code_hash -> Binary,
        created_at -> Timestamptz,
        used_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "When people who were asked are reminded; without a row the defaults of the service hold."]
    reminder_rule (dealer_id) {
        dealer_id -> Int4,
        #[doc = "Days before the due date of a first reminder; 0: none before."]
        days_before -> Int2,
        #[doc = "Days between reminders once the due date has passed."]
        days_after -> Int2,
        reminders_most -> Int2,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "A question about a figure of a report, and its answer; the customer and the dealer see both."]
    report_question (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        report_id -> Uuid,
        customer_id -> Uuid,
        figure -> Text,
        words -> Text,
        asked_by -> Nullable<Uuid>,
        by_customer -> Bool,
        asked_at -> Timestamptz,
        answer -> Nullable<Text>,
        answered_by -> Nullable<Uuid>,
        answered_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "Who gets a customer's issued reports by mail."]
    report_recipient (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        customer_id -> Uuid,
        email -> Text,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
        #[doc = "Who wanted no more of them: the dealer, or whoever got them."]
        ended_by -> Nullable<Text>,
    }
}

diesel::table! {
    report_revision (dealer_id, report_id, n) {
        dealer_id -> Int4,
        report_id -> Uuid,
        #[doc = "A draft has one row, whose number counts how often it was made; each issued revision keeps its own."]
        n -> Int4,
        customer_id -> Uuid,
        #[doc = "The report model, whole: page and JSON show this and compute nothing."]
        figures -> Jsonb,
        #[doc = "Why it was issued in spite of open exceptions, or revised."]
        reason -> Nullable<Text>,
        made_at -> Timestamptz,
        issued_at -> Nullable<Timestamptz>,
        issued_how -> Nullable<Text>,
        issued_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    #[doc = "When the night run issues reports by itself, and which later differences it carries unasked."]
    report_rule (dealer_id) {
        dealer_id -> Int4,
        rule -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "What issued reports state of a month beside what it comes to now; the dealer's alone."]
    report_standing (dealer_id, report_id) {
        dealer_id -> Int4,
        report_id -> Uuid,
        customer_id -> Uuid,
        month -> Date,
        version -> Int4,
        #[doc = "Figures as issued, as decided on since, and as later data are held against."]
        standing -> Jsonb,
        #[doc = "Whether the next report has something to carry."]
        owes -> Bool,
        #[doc = "The report as it would be now; null while its reckoning is the issued one."]
        figures -> Nullable<Jsonb>,
        proposed_at -> Nullable<Timestamptz>,
        #[doc = "Null: the night run, because the difference is above the tolerance."]
        proposed_by -> Nullable<Uuid>,
        proposed_why -> Nullable<Text>,
        declined_at -> Nullable<Timestamptz>,
        declined_by -> Nullable<Uuid>,
        declined_why -> Nullable<Text>,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "How reports look, and the limits that samples are held against; each report keeps it as it was when it was made."]
    report_style (dealer_id) {
        dealer_id -> Int4,
        #[doc = "The record in the domain's own JSON."]
        style -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "SHA-256 of the secret in each mail by which its reader wants no more; the secret itself is never stored."]
    report_unsubscribe (dealer_id, token_hash) {
        dealer_id -> Int4,
        token_hash -> Binary,
        recipient_id -> Uuid,
        created_at -> Timestamptz,
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
    #[doc = "Whether the dealer lends counts of lives and is lent those of others; without a row it does not."]
    risk_pooling (dealer_id) {
        dealer_id -> Int4,
        figures -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "What a customer sees of risk; without a row nothing."]
    risk_sharing (dealer_id, customer_id) {
        dealer_id -> Int4,
        customer_id -> Uuid,
        risk -> Bool,
        expected_loss -> Bool,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "Recurring work at a unit, due by whatever comes first."]
    routine (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Uuid,
        name -> Text,
        every_days -> Nullable<Int4>,
        #[doc = "Month and day, such as 10-15."]
        yearly_on -> Nullable<Text>,
        every_hours -> Nullable<Float8>,
        every_starts -> Nullable<Float8>,
        every_washes -> Nullable<Float8>,
        every_litres -> Nullable<Float8>,
        #[doc = "Whether days on which the unit does not run count for nothing."]
        rests -> Bool,
        checklist -> Jsonb,
        cautions -> Jsonb,
        certificate -> Nullable<Text>,
        technician_id -> Nullable<Uuid>,
        counts_from -> Date,
        done_times -> Int4,
        last_done_on -> Nullable<Date>,
        #[doc = "Local day of the site, as the last night run projected it. Null: not within the horizon."]
        due_on -> Nullable<Date>,
        due_by -> Nullable<Text>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
        #[doc = "The due date for which it was told that it is late."]
        late_for -> Nullable<Date>,
    }
}

diesel::table! {
    #[doc = "A due that was done, once: the n-th of its routine."]
    routine_done (dealer_id, routine_id, n) {
        dealer_id -> Int4,
        routine_id -> Uuid,
        n -> Int4,
        due_on -> Nullable<Date>,
        done_on -> Date,
        checked -> Jsonb,
        note -> Nullable<Text>,
        certificate_number -> Nullable<Text>,
        tester -> Nullable<Text>,
        tester_licence -> Nullable<Text>,
        certified_on -> Nullable<Date>,
        result -> Nullable<Text>,
        certificate_sha256 -> Nullable<Text>,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
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
        details -> Jsonb,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        #[doc = "Why a correction was made; null for the first revision."]
        why -> Nullable<Text>,
        signed_by -> Nullable<Text>,
        signed_at -> Nullable<Timestamptz>,
        #[doc = "What was measured of the water, in the domain's own JSON; each is a sample of the unit too."]
        samples -> Jsonb,
        #[doc = "What gauges showed; each is a gauge reading of the unit too."]
        gauge_readings -> Jsonb,
        #[doc = "The number of the customer's own order for the work."]
        order_number -> Nullable<Text>,
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
        #[doc = "SHA-256 of the part that all refresh tokens of the family share: whoever shows it had one of them."]
        key_hash -> Nullable<Binary>,
        #[doc = "SHA-256 of the token before: shown again at once it gets the same successor, later it is a thief's."]
        previous_hash -> Nullable<Binary>,
        #[doc = "The present token under a pad that only the token before yields."]
        successor_sealed -> Nullable<Binary>,
        #[doc = "Where it was used last."]
        address -> Nullable<Text>,
        #[doc = "The network of that address, from which its owner is known."]
        network -> Nullable<Text>,
        #[doc = "The browser or program in words."]
        device -> Nullable<Text>,
        #[doc = "SHA-256 of the browser's own cookie, by which its owner is known elsewhere too."]
        device_hash -> Nullable<Binary>,
    }
}

diesel::table! {
    #[doc = "What a dealer asks of sign-ins; without a row nothing beyond the service's own rules."]
    sign_in_rule (dealer_id) {
        dealer_id -> Int4,
        owners_second_factor -> Bool,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "Tries that did not end in a sign-in, by address and account, by account, and by address."]
    sign_in_try (key) {
        #[doc = "SHA-256 of what is counted: of unknown accounts too, and nothing to be read from it."]
        key -> Binary,
        tries -> Int4,
        last_at -> Timestamptz,
        #[doc = "Before that no further try is looked at."]
        next_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "From where on something is a sign of a process upset; without a row the usual limits count."]
    sign_limits (dealer_id) {
        dealer_id -> Int4,
        figures -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
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
        #[doc = "What mostly comes off what is washed; parts wear by it."]
        soil_class -> Nullable<Text>,
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
    #[doc = "What stands on each shelf now, written with every line of the ledger; its row is the shelf's lock."]
    stock_balance (dealer_id, place_id, consumable_id, lot_id) {
        dealer_id -> Int4,
        place_id -> Uuid,
        consumable_id -> Uuid,
        lot_id -> Uuid,
        quantity -> Numeric,
        #[doc = "Instant of the youngest line."]
        moved_at -> Nullable<Timestamptz>,
        counted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    stock_forecast (dealer_id, place_id, consumable_id) {
        dealer_id -> Int4,
        place_id -> Uuid,
        consumable_id -> Uuid,
        night -> Date,
        on_hand -> Numeric,
        #[doc = "The day on_hand stood at: of a dip, its day."]
        stood_on -> Date,
        months -> Int4,
        #[doc = "The demand model that fits; null while there is too little of a past."]
        model -> Nullable<Text>,
        per_day -> Nullable<Float8>,
        #[doc = "The cautious day on which the stock does not suffice any more; null is beyond three years."]
        earliest -> Nullable<Date>,
        likely -> Nullable<Date>,
        latest -> Nullable<Date>,
        order_by -> Nullable<Date>,
        safety_stock -> Nullable<Float8>,
        reorder_point -> Nullable<Float8>,
        order_quantity -> Nullable<Float8>,
        #[doc = "Which way the use at a site is out of line, if it is."]
        use_is -> Nullable<Text>,
        use_since -> Nullable<Timestamptz>,
        use_actual -> Nullable<Float8>,
        use_expected -> Nullable<Float8>,
        #[doc = "What was on its way there, and counted on."]
        on_order -> Numeric,
    }
}

diesel::table! {
    stock_lot (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        consumable_id -> Uuid,
        number -> Text,
        #[doc = "Last day on which it may be used."]
        expires_on -> Nullable<Date>,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    #[doc = "The ledger: a balance is the sum of what came to a place less what left it."]
    stock_movement (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        consumable_id -> Uuid,
        from_place_id -> Nullable<Uuid>,
        #[doc = "Of a count, where it was."]
        to_place_id -> Nullable<Uuid>,
        unit_id -> Nullable<Uuid>,
        kind -> Text,
        quantity -> Numeric,
        at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        lot_id -> Nullable<Uuid>,
        supplier_id -> Nullable<Uuid>,
        buyer -> Nullable<Text>,
        payer -> Nullable<Text>,
        #[doc = "Of a count, why it differs from the ledger; of what was written off, why."]
        why -> Nullable<Text>,
        overdraw_reason -> Nullable<Text>,
        #[doc = "What the customer was billed for it, at the selling price of its day."]
        billed_item_id -> Nullable<Uuid>,
    }
}

diesel::table! {
    #[doc = "An item ordered from a supplier for a place; it comes in parts."]
    stock_order (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        supplier_id -> Uuid,
        consumable_id -> Uuid,
        place_id -> Uuid,
        quantity -> Numeric,
        ordered_on -> Date,
        expected_on -> Date,
        #[doc = "Movements by which parts of it came, in the domain's own JSON."]
        receipts -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        #[doc = "When all of it had come, or it was settled that no more comes."]
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "What a line of the ledger did to a shelf, and what stood there after it: no balance needs the ledger added up."]
    stock_posting (dealer_id, place_id, consumable_id, lot_id, at, is_count, movement_id) {
        dealer_id -> Int4,
        place_id -> Uuid,
        consumable_id -> Uuid,
        #[doc = "Nil for what is not kept by lot."]
        lot_id -> Uuid,
        at -> Timestamptz,
        is_count -> Bool,
        movement_id -> Uuid,
        is_issue -> Bool,
        #[doc = "Of a count, its difference from the ledger."]
        change -> Numeric,
        balance -> Numeric,
        #[doc = "Its change is use of the place: issued, returned, moved out of a warehouse or back, or a count explained by use. Null of a line that a version before wrote: an issue is."]
        is_use -> Nullable<Bool>,
    }
}

diesel::table! {
    #[doc = "Goods kept at a place for a planned day; closed once it is known what of them was used."]
    stock_reservation (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        kit_id -> Nullable<Uuid>,
        unit_id -> Nullable<Uuid>,
        place_id -> Uuid,
        van_id -> Nullable<Uuid>,
        planned_on -> Date,
        lines -> Jsonb,
        used -> Nullable<Jsonb>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
        #[doc = "The planned visit that it is kept for; it moves with it."]
        visit_id -> Nullable<Uuid>,
    }
}

diesel::table! {
    supplier (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
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
    #[doc = "A person's own list of installed units: the choice, not the units."]
    unit_list (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        account_id -> Uuid,
        name -> Text,
        find -> Text,
        state -> Nullable<Text>,
        sort -> Text,
        created_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "What failures and upsets at a unit are expected to cost within 30 days, as of the last night."]
    unit_loss (dealer_id, unit_id) {
        dealer_id -> Int4,
        unit_id -> Uuid,
        made_at -> Timestamptz,
        expected_loss -> Jsonb,
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
    #[doc = "Every night's forecast of each unit and its parts, for two years."]
    unit_night (dealer_id, unit_id, night) {
        dealer_id -> Int4,
        unit_id -> Uuid,
        night -> Date,
        made_at -> Timestamptz,
        p_30 -> Float8,
        p_90 -> Float8,
        #[doc = "As if all parts alike failed at one rate, and upsets came at the dealer's."]
        rate_p_30 -> Float8,
        rate_p_90 -> Float8,
        #[doc = "The greatest share of its rated life that one of its parts will have reached."]
        worn_30 -> Nullable<Float8>,
        worn_90 -> Nullable<Float8>,
        components -> Array<Uuid>,
        #[doc = "In the order of components; null where nothing is held of a part's life."]
        chances_30 -> Array<Float8>,
        chances_90 -> Array<Float8>,
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
        #[doc = "Of nights of earlier versions; else in unit_loss."]
        expected_loss -> Nullable<Jsonb>,
        not_forecast -> Int4,
        #[doc = "Why the process may upset, in words; null where the dealer has no history of upsets."]
        upset -> Nullable<Text>,
        #[doc = "Signs of an upset that it shows, and what they weigh."]
        signs -> Nullable<Jsonb>,
        #[doc = "Whose unit it was then: whoever it is opened to."]
        made_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "A visit that is planned, was moved, made or called off."]
    visit (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        unit_id -> Nullable<Uuid>,
        site_id -> Uuid,
        customer_id -> Uuid,
        #[doc = "Its local day, as a UTC day."]
        at -> Timestamptz,
        #[doc = "The record in the domain's own JSON; the columns are what is looked for and judged."]
        record -> Jsonb,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        technician_id -> Nullable<Uuid>,
        state -> Nullable<Text>,
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
    #[doc = "What a site washes with, and whether its unit's biology takes it; a change of standing is a row that follows."]
    wash_chemical (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        product -> Text,
        standing -> Text,
        note -> Nullable<Text>,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
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
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "Which pause tells washes apart at a meter that serves a single gun."]
    wash_sessions (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        meter_id -> Uuid,
        #[doc = "Minutes without water after which what comes is another wash."]
        pause_min -> Int4,
        source -> Text,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
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

diesel::table! {
    #[doc = "Each try of a delivery and what the endpoint said."]
    webhook_attempt (dealer_id, delivery_id, at) {
        dealer_id -> Int4,
        delivery_id -> Uuid,
        at -> Timestamptz,
        took_ms -> Int4,
        status -> Nullable<Int4>,
        error -> Nullable<Text>,
    }
}

diesel::table! {
    #[doc = "An event on its way to an endpoint. Its message id is the change's, however often it is sent."]
    webhook_delivery (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        endpoint_id -> Uuid,
        change_id -> Uuid,
        event -> Text,
        seq -> Int8,
        state -> Text,
        #[doc = "Since it was wanted or sent again."]
        tries -> Int4,
        #[doc = "Not before; while it is tried, when somebody else may take it up."]
        due_at -> Timestamptz,
        created_at -> Timestamptz,
        finished_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "Where events are sent."]
    webhook_endpoint (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        url -> Text,
        description -> Text,
        events -> Jsonb,
        #[doc = "Only events about this customer, and only what customers may be told."]
        customer_id -> Nullable<Uuid>,
        #[doc = "Nothing is sent while this says why."]
        paused_why -> Nullable<Text>,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "The keys that deliveries are signed with. They can't be hashed: signing needs them."]
    webhook_secret (dealer_id, endpoint_id, n) {
        dealer_id -> Int4,
        endpoint_id -> Uuid,
        n -> Int4,
        secret -> Binary,
        created_at -> Timestamptz,
        #[doc = "Signs beside its successor until then."]
        expires_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    #[doc = "When a site works: hours by weekday, and the days on which it is closed."]
    working_days (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        site_id -> Uuid,
        customer_id -> Uuid,
        valid -> Daterange,
        week -> Jsonb,
        recorded_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        withdrawn_at -> Nullable<Timestamptz>,
        withdrawn_by -> Nullable<Uuid>,
        withdrawn_why -> Nullable<Text>,
        #[doc = "When its end was written down, if that was later than the rest."]
        end_noted_at -> Nullable<Timestamptz>,
    }
}
