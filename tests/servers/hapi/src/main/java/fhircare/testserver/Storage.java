package fhircare.testserver;

import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.jpa.api.IDaoRegistry;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.binstore.DatabaseBinaryContentStorageSvcImpl;
import ca.uhn.fhir.jpa.binary.api.IBinaryStorageSvc;
import ca.uhn.fhir.jpa.config.HibernatePropertiesProvider;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.config.util.ResourceCountCacheUtil;
import ca.uhn.fhir.jpa.dao.FulltextSearchSvcImpl;
import ca.uhn.fhir.jpa.dao.IFulltextSearchSvc;
import ca.uhn.fhir.jpa.dao.search.HSearchSortHelperImpl;
import ca.uhn.fhir.jpa.dao.search.IHSearchSortHelper;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.config.SubscriptionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.provider.DaoRegistryResourceSupportedSvc;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.jpa.search.IStaleSearchDeletingSvc;
import ca.uhn.fhir.jpa.search.StaleSearchDeletingSvcImpl;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import ca.uhn.fhir.jpa.util.ResourceCountCache;
import ca.uhn.fhir.rest.api.IResourceSupportedSvc;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import jakarta.persistence.EntityManagerFactory;
import java.util.Properties;
import javax.sql.DataSource;
import org.h2.jdbcx.JdbcConnectionPool;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Configuration;
import org.springframework.context.annotation.Import;
import org.springframework.context.annotation.Primary;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;
import org.hibernate.dialect.Dialect;

/**
 * Where the server keeps its resources: an H2 database in a folder, integrity enforced, nothing scheduled. What was
 * committed is on disk, so that it is there after a kill. The same for each release; {@link Main} adds HAPI's own
 * configuration of the one asked for.
 */
@Configuration
@Import({
    JpaBatch2Config.class,
    Batch2JobsConfig.class,
    SubscriptionChannelConfig.class,
    ThreadPoolFactoryConfig.class
})
public class Storage {

    /** The system property that names the folder. */
    static final String FOLDER = "fhircare.testserver.folder";

    @Bean
    public JpaStorageSettings jpaStorageSettings() {
        JpaStorageSettings settings = new JpaStorageSettings();
        settings.setEnforceReferentialIntegrityOnWrite(true);
        settings.setEnforceReferentialIntegrityOnDelete(true);
        settings.setAutoCreatePlaceholderReferenceTargets(false);
        settings.setAllowExternalReferences(false);
        settings.setSchedulingDisabled(true);
        // A code system that is loaded can be used at once: nothing is scheduled that would index it later.
        settings.setDeferIndexingForCodesystemsOfSize(0);
        return settings;
    }

    @Bean
    public PartitionSettings partitionSettings() {
        return new PartitionSettings();
    }

    @Bean
    public SubscriptionSettings subscriptionSettings() {
        return new SubscriptionSettings();
    }

    @Bean(destroyMethod = "dispose")
    public DataSource dataSource() {
        String address = "jdbc:h2:file:" + System.getProperty(FOLDER) + "/fhir;WRITE_DELAY=0;DB_CLOSE_DELAY=-1";
        return JdbcConnectionPool.create(address + ";MODE=LEGACY;NON_KEYWORDS=VALUE", "sa", "");
    }

    @Bean
    @Primary
    public LocalContainerEntityManagerFactoryBean entityManagerFactory(
            DataSource dataSource,
            ConfigurableListableBeanFactory beans,
            FhirContext context,
            JpaStorageSettings settings) {
        LocalContainerEntityManagerFactoryBean factory =
                HapiEntityManagerFactoryUtil.newEntityManagerFactory(beans, context, settings);
        Properties properties = new Properties();
        properties.put("hibernate.dialect", HapiFhirH2Dialect.class.getName());
        properties.put("hibernate.hbm2ddl.auto", "update");
        properties.put("hibernate.jdbc.batch_size", "20");
        properties.put("hibernate.search.enabled", "false");
        factory.setPersistenceUnitName("test");
        factory.setJpaProperties(properties);
        factory.setDataSource(dataSource);
        return factory;
    }

    @Bean
    @Primary
    public JpaTransactionManager transactionManager(EntityManagerFactory factory) {
        return new JpaTransactionManager(factory);
    }

    @Bean
    @Primary
    public HibernatePropertiesProvider hibernatePropertiesProvider() {
        return new HibernatePropertiesProvider() {
            private final Dialect dialect = new HapiFhirH2Dialect();

            @Override
            public Dialect getDialect() {
                return dialect;
            }
        };
    }

    @Bean
    public DatabaseBackedPagingProvider databaseBackedPagingProvider() {
        DatabaseBackedPagingProvider paging = new DatabaseBackedPagingProvider();
        paging.setDefaultPageSize(10);
        paging.setMaximumPageSize(50);
        return paging;
    }

    @Bean
    public IBinaryStorageSvc binaryStorageSvc() {
        return new DatabaseBinaryContentStorageSvcImpl();
    }

    @Bean
    public IFulltextSearchSvc fullTextSearchSvc() {
        return new FulltextSearchSvcImpl();
    }

    @Bean
    public IStaleSearchDeletingSvc staleSearchDeletingSvc() {
        return new StaleSearchDeletingSvcImpl();
    }

    @Bean
    public IResourceSupportedSvc resourceSupportedSvc(IDaoRegistry registry) {
        return new DaoRegistryResourceSupportedSvc(registry);
    }

    @Bean(name = "myResourceCountsCache")
    public ResourceCountCache resourceCounts(IFhirSystemDao<?, ?> system) {
        return ResourceCountCacheUtil.newResourceCountCache(system);
    }

    @Bean
    public IHSearchSortHelper hSearchSortHelper(ISearchParamRegistry registry) {
        return new HSearchSortHelperImpl(registry);
    }
}
