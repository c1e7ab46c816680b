-- Compared recordings: the document's JSON text becomes columns within one.
CREATE OR REPLACE TABLE derived_pair_results AS
SELECT
    * EXCLUDE (document),
    NULL::BIGINT AS steps,
    document.warnings AS warnings,
    struct_update(document, excluded_s := map_entries(document.excluded_s)) AS document
FROM (
    SELECT
        * REPLACE (
            from_json(document::JSON, '{
                "lag_s": "DOUBLE", "u_lag_s": "DOUBLE", "lag_certain": "BOOLEAN",
                "clock_drift_ppm": "DOUBLE", "overlap_s": "BIGINT", "used_s": "BIGINT",
                "excluded_s": "MAP(VARCHAR, BIGINT)",
                "smoothing": {"smoother": "VARCHAR", "shape": "VARCHAR", "seconds": "DOUBLE"},
                "gain_ratio_pct": "DOUBLE", "u_gain_ratio_pct": "DOUBLE",
                "gain_ratio_interval90_pct": ["DOUBLE"], "dof": "DOUBLE",
                "zero_offset_nm": "DOUBLE", "u_zero_offset_nm": "DOUBLE",
                "zero_offset_interval90_nm": ["DOUBLE"],
                "bend_pct_per_100w": "DOUBLE", "u_bend_pct_per_100w": "DOUBLE",
                "change_pct": "DOUBLE", "u_change_pct": "DOUBLE",
                "constant_w": "DOUBLE", "other_constant_w": "DOUBLE",
                "mean_difference_w": "DOUBLE", "limits_of_agreement_w": ["DOUBLE"],
                "by_power_band": [{
                    "used_s": "BIGINT", "meter_w": "DOUBLE", "reference_w": "DOUBLE",
                    "ratio_pct": "DOUBLE", "gain_ratio_pct": "DOUBLE",
                    "gain_ratio_interval90_pct": ["DOUBLE"],
                    "from_w": "BIGINT", "to_w": "BIGINT"
                }],
                "by_cadence_band": [{
                    "used_s": "BIGINT", "meter_w": "DOUBLE", "reference_w": "DOUBLE",
                    "ratio_pct": "DOUBLE", "gain_ratio_pct": "DOUBLE",
                    "gain_ratio_interval90_pct": ["DOUBLE"],
                    "from_rpm": "BIGINT", "to_rpm": "BIGINT"
                }],
                "by_time": [{
                    "used_s": "BIGINT", "meter_w": "DOUBLE", "reference_w": "DOUBLE",
                    "ratio_pct": "DOUBLE", "gain_ratio_pct": "DOUBLE",
                    "gain_ratio_interval90_pct": ["DOUBLE"],
                    "from_s": "BIGINT", "to_s": "BIGINT"
                }],
                "temperature_c": "DOUBLE", "void": "VARCHAR", "warnings": ["VARCHAR"]
            }') AS document
        )
    FROM derived_pair_results
)
